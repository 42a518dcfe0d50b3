"""The power budget: the highest level that a state can put on each node, before anything is sent."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilkit.bench.path import frequency_text
from hilkit.errors import SafetyStop
from hilkit.safety.states import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench

__all__ = ["REFUSED", "Overload", "overloads", "power_sum_dbm", "predict", "refuse_overload"]


REFUSED = "refused before anything was sent"


def predict(bench: Bench, state: RfState) -> dict[str, float]:
    """Return the highest level in dBm that ``state`` can put on each node of its channel's path.

    The radio's highest level less the commanded transmit attenuation, less the least loss to the node
    anywhere in the radio's bandwidth around the carrier, less the pad. A stream below full scale earns no
    credit: its peaks, or a radio that ignores its level, may reach full scale. With RF off every level is
    minus infinity.

    Raises ``PathError`` for a frequency at which the path has no loss: an unknown loss is no loss.
    """
    path = bench.path(state.channel)
    if not state.rf_on:
        return dict.fromkeys(path.nodes, -math.inf)
    at_port = bench.radio.max_level_dbm - max(0.0, state.attenuation_db)
    width = bench.radio.bandwidth_hz
    return {
        node: at_port - path.min_loss_to(node, state.carrier_hz, pad_db=state.pad_db, bandwidth_hz=width)
        for node in path.nodes
    }


def power_sum_dbm(levels_dbm: Iterable[float]) -> float:
    """Return the level of several signals together in dBm, as their powers add."""
    total = sum(10.0 ** (level / 10.0) for level in levels_dbm)
    return 10.0 * math.log10(total) if total > 0 else -math.inf


@dataclass(frozen=True, kw_only=True)
class Overload:
    """A node that would get more than it stands."""

    node: str
    level_dbm: float
    rating_dbm: float
    allowed_dbm: float

    @property
    def excess_db(self) -> float:
        """How much less would be allowed."""
        return self.level_dbm - self.allowed_dbm


def overloads(bench: Bench, levels_dbm: Mapping[str, float]) -> list[Overload]:
    """Return the nodes whose level exceeds their rating less the margin, the worst first.

    A level that is not a number counts as exceeding.
    """
    found = [
        Overload(node=node, level_dbm=level, rating_dbm=rating, allowed_dbm=rating - bench.margin_db)
        for node, level in levels_dbm.items()
        if (rating := bench.ratings.get(node)) is not None and not level <= rating - bench.margin_db
    ]
    return sorted(found, key=lambda overload: -overload.excess_db)


def refuse_overload(bench: Bench, state: RfState, levels_dbm: Mapping[str, float]) -> None:
    """Raise ``SafetyStop`` for the worst overload: node, level, rating, and what would be safe."""
    found = overloads(bench, levels_dbm)
    if not found:
        return
    worst = found[0]
    raise SafetyStop(
        f"{REFUSED}: {_describe(bench, state)} would put up to {worst.level_dbm:.1f} dBm on "
        f"{worst.node!r}, which is rated {worst.rating_dbm:g} dBm and may get {worst.allowed_dbm:g} dBm "
        f"(margin {bench.margin_db:g} dB)",
        next_step=_cure(bench, state, worst),
    )


def _describe(bench: Bench, state: RfState) -> str:
    pad = f" and {state.pad_db:g} dB in the pad" if bench.path(state.channel).pad_instrument else ""
    return (
        f"channel {state.channel} at {frequency_text(state.carrier_hz)} with "
        f"{state.attenuation_db:g} dB transmit attenuation{pad}"
    )


def _cure(bench: Bench, state: RfState, worst: Overload) -> str:
    needed = math.ceil(worst.excess_db * 10 - 1e-9) / 10 if math.isfinite(worst.excess_db) else math.nan
    path = bench.path(state.channel)
    at = state.carrier_hz
    pad_helps = path.loss_to(worst.node, at, pad_db=1.0) > path.loss_to(worst.node, at, pad_db=0.0)
    where = "transmit attenuation or pad" if pad_helps else "transmit attenuation"
    return (
        f"{needed:.1f} dB more {where} is safe, or a fixed pad of that size in front of {worst.node!r}, "
        "put into the bench file too"
    )
