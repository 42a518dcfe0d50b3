"""Whether something may move while RF is on: only what the bench file allows, and only within the ratings.

What moves counts at its worst on the way: a step attenuator at 0 dB, a switch with every way through it
closed, a carrier anywhere between the old one and the new.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from hilkit.bench.path import PathError
from hilkit.safety.prediction import overloads, power_sum_dbm, predict
from hilkit.safety.states import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench

__all__ = ["carrier_may_move", "pad_may_move", "switch_may_move"]

RADIO = "radio"
"""What ``hot_switching`` of the bench file calls the radio's carrier."""


def pad_may_move(bench: Bench, pad: str, state: RfState | None) -> bool:
    """Return whether the step attenuator may move while the one channel through it is in ``state``."""
    if pad not in bench.hot_switching or state is None:
        return False
    return not overloads(bench, predict(bench, replace(state, pad_db=0.0)))


def switch_may_move(bench: Bench, switch: str, states: Iterable[RfState | None]) -> bool:
    """Return whether a switch may move while the channels through it are in ``states``."""
    if switch not in bench.hot_switching:
        return False
    levels: dict[str, float] = {}
    for state in states:
        if state is None:
            return False
        for node, level in predict(bench, state, unknown=frozenset({switch})).items():
            levels[node] = power_sum_dbm((levels[node], level)) if node in levels else level
    return not overloads(bench, levels)


def carrier_may_move(bench: Bench, state: RfState | None, carrier_hz: float) -> bool:
    """Return whether the carrier of a channel in ``state`` may move to ``carrier_hz`` with RF on."""
    if RADIO not in bench.hot_switching or state is None:
        return False
    path = bench.path(state.channel)
    middle_hz = (state.carrier_hz + carrier_hz) / 2
    width_hz = abs(carrier_hz - state.carrier_hz) + bench.radio.bandwidth_hz
    at_port = bench.radio.max_level_dbm - state.attenuation_db
    try:
        levels = {
            node: at_port - path.min_loss_to(node, middle_hz, pad_db=state.pad_db, bandwidth_hz=width_hz)
            for node in path.nodes
        }
    except PathError:
        return False
    return not overloads(bench, levels)
