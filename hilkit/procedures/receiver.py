"""The analyser at the end of one channel's path, with its range held fixed and each sweep checked."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hilkit.errors import MeasurementError
from hilkit.judgement import not_available
from hilkit.procedures.budgets import LevelBudgets
from hilkit.procedures.states import expected_input_dbm
from hilkit.procedures.sweeps import input_range
from hilkit.readings import Evidence, Measured, Trace

if TYPE_CHECKING:
    from hilkit.instruments import AnalyserStatus, SweepSetup
    from hilkit.safety import RfState, Session

__all__ = [
    "Receiver",
    "check_pad",
    "checks",
    "merged",
    "mute_others",
    "overload_check",
    "prepare_analyser",
    "reference_note",
    "with_evidence",
]

_REFERENCE_DEADLINE_S = 5.0


class Receiver:
    """Sweeps at a fixed input range, chosen for the level that ``state`` is predicted to give.

    ``also`` are states whose readings are compared with those of ``state``: the range fits the highest of
    all. Receivers with the same ``near_hz``, the carrier where none is given, share the errors of their
    path.
    """

    def __init__(
        self,
        session: Session,
        state: RfState,
        *,
        near_hz: float | None = None,
        also: Sequence[RfState] = (),
    ) -> None:
        self.session = session
        self.analyser = session.analyser
        self.limits = session.analyser.limits()
        highest_dbm = max(expected_input_dbm(session.bench, each) for each in (state, *also))
        self.range = input_range(highest_dbm, self.limits)
        self.pad_db = state.pad_db
        self._path = session.path(state.channel)
        self.budgets = LevelBudgets(session.bench, state.channel, near_hz=near_hz or state.carrier_hz)

    def sweep(self, setup: SweepSetup) -> tuple[Trace, tuple[Evidence, ...]]:
        """Configure, sweep once, and return the trace with the analyser's own doubts about it."""
        self.analyser.configure(setup)
        return self.again()

    def again(self) -> tuple[Trace, tuple[Evidence, ...]]:
        """Sweep once more as configured."""
        trace = self.analyser.acquire()
        return trace, self.checks()

    def checks(self) -> tuple[Evidence, ...]:
        """Ask the analyser for its doubts about the last sweep."""
        return checks(self.analyser.status())

    def losses_db(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Return the losses from the radio port to the analyser over frequency."""
        return self._path.losses_db(frequency_hz, pad_db=self.pad_db)

    def loss_db(self, frequency_hz: float) -> float:
        """Return the loss from the radio port to the analyser."""
        return self._path.loss_db(frequency_hz, pad_db=self.pad_db)


def prepare_analyser(session: Session) -> None:
    """Bring the analyser into its known state and give it time to lock to its reference.

    ``*RST`` puts the reference back to internal, so that every preparation means locking anew. A reference
    that does not come is left to the check of each sweep.
    """
    session.analyser.prepare(reference=session.bench.reference)
    with suppress(MeasurementError):
        session.wait_until(
            lambda: session.analyser.status().reference_locked is not False,
            deadline_s=_REFERENCE_DEADLINE_S,
            poll_s=0.05,
            what="the analyser locks to its reference",
        )


def checks(status: AnalyserStatus) -> tuple[Evidence, ...]:
    """Return what the analyser says of its last sweep; a state that it cannot tell is not available."""
    asked = (
        ("overload", status.overload, False, "the analyser's input is overloaded"),
        ("calibrated sweep", status.uncalibrated_sweep, False, "the sweep is too fast for its filter"),
        ("reference lock", status.reference_locked, True, "the analyser's reference is not locked"),
    )
    return tuple(
        not_available(name, f"the analyser cannot tell: {name}", required=str(required).lower())
        if seen is None
        else Evidence(
            name=name,
            held=seen is required,
            observed=str(seen).lower(),
            required=str(required).lower(),
            sentence=complaint if seen is not required else f"{name}: nothing to object",
        )
        for name, seen, required, complaint in asked
    )


def overload_check(overload: bool | None, sensor: str) -> Evidence:
    """Return what a sensor without sweeps says of one reading, ``None`` where it cannot tell."""
    if overload is None:
        return not_available("overload", f"{sensor} cannot tell: overload", required="false")
    return Evidence(
        name="overload",
        held=not overload,
        observed=str(overload).lower(),
        required="false",
        sentence=f"{sensor} is overloaded" if overload else "overload: nothing to object",
    )


def with_evidence(measured: Measured, evidence: Sequence[Evidence]) -> Measured:
    """Return the reading with further checks attached, ``merged`` with its own."""
    return replace(measured, evidence=merged((*measured.evidence, *evidence)))


def merged(evidence: Sequence[Evidence]) -> tuple[Evidence, ...]:
    """Return each name once: a check that failed before one that could not be made, and that before one that
    held."""
    kept: dict[str, Evidence] = {}
    for each in evidence:
        if each.name not in kept or _worse(each, kept[each.name]):
            kept[each.name] = each
    return tuple(kept.values())


def _worse(one: Evidence, other: Evidence) -> bool:
    order = (True, None, False)
    return order.index(one.held) > order.index(other.held)


def reference_note(session: Session) -> str:
    """Say against which reference a frequency was measured."""
    radio = session.radio.reference_state()
    if session.bench.reference == "external" and radio == "locked":
        return (
            "measured against the external reference that the radio reports lock to as well: an error of a "
            "reference "
            "common to both does not show"
        )
    return (
        f"measured against the analyser's {session.bench.reference} reference; the radio's reference is "
        f"{radio}: the "
        "difference of the two is in this reading"
    )


def mute_others(session: Session, channel: int) -> None:
    """Turn RF of all other channels off: what leaks across would be read as this channel's."""
    for other in session.bench.radio.channels:
        if other != channel:
            session.mute(other)


def check_pad(session: Session, channel: int, pad_db: float) -> None:
    """Raise ``MeasurementError`` if the step attenuator of the path cannot take ``pad_db``."""
    pad = session.pad_range(channel)
    if pad is None:
        return
    low, high, step = pad
    on_step = not step or abs((pad_db - low) / step - round((pad_db - low) / step)) < 1e-6
    if not (low <= pad_db <= high and on_step):
        raise MeasurementError(
            f"the step attenuator of channel {channel} is needed at {pad_db:g} dB, but has {low:g} to "
            f"{high:g} dB in "
            f"steps of {step:g} dB",
            next_step="set `pad` to what it has, or use more transmit attenuation",
        )
