"""Finds out where a combination has its first RF, ramps it up there, and reads the levels on the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from statistics import median

from hilkit.bench import Bench
from hilkit.errors import BenchError
from hilkit.procedures.states import expected_input_dbm
from hilkit.procedures.sweeps import input_range, wide_sweep
from hilkit.runner.planned import Item
from hilkit.safety import RfState, Session
from hilkit.safety.ramp import LevelSeen, ramp, ramp_top

__all__ = ["raise_first_rf", "ramps_of"]

SPAN_PER_OFFSET = 3.0
"""Span around the carrier, as a multiple of the tone's offset: it holds the tone on either side."""

RBW_PER_SPAN = 1 / 60
SAMPLES = 10.0


def ramps_of(items: Sequence[Item], bench: Bench) -> tuple[int, list[RfState]]:
    """Return the place of the first step that sends, and what to ramp to before it; nothing without one."""
    envelopes = [_envelope(item, bench) for item in items]
    for place, first in enumerate(envelopes):
        if tops := ramp_top(first, (state for each in envelopes for state in each), bench):
            return place, tops
    return 0, []


def raise_first_rf(session: Session, tops: Sequence[RfState], name: str) -> None:
    """Ramp each channel to its highest level, with a text of its own on the analyser's screen.

    The text keeps the sweeps of the ramp apart from those of the step that follows.
    """
    for top in tops:
        session.analyser.annotate(f"ramp before {name}, channel {top.channel}")
        reader = _Reader(session, top)
        ramp(session, top, reader.read)


class _Reader:
    """The analyser at the end of a channel's path, in one range for all levels of a ramp."""

    def __init__(self, session: Session, top: RfState) -> None:
        self._session = session
        self._analyser = session.analyser
        limits = self._analyser.limits()
        half_hz = abs(top.tone_offset_hz or 0.0) * SPAN_PER_OFFSET / 2
        setup = wide_sweep(
            top.carrier_hz - half_hz,
            top.carrier_hz + half_hz,
            rbw_hz=2 * half_hz * RBW_PER_SPAN,
            at=input_range(expected_input_dbm(session.bench, top), limits),
            limits=limits,
            samples=SAMPLES,
        )
        # Points close enough that a line between two of them reads at most 0.2 dB low.
        self._setup = replace(setup, points=min(2 * setup.points - 1, limits.points[1]))
        self._configured = False

    def read(self, state: RfState) -> LevelSeen:
        """Return the highest line and the floor, both as levels at the port."""
        if not self._configured:
            self._analyser.configure(self._setup)
            self._configured = True
        trace = self._analyser.acquire()
        loss_db = self._session.path(state.channel).loss_db(state.carrier_hz, pad_db=state.pad_db)
        return LevelSeen(
            level_dbm=float(max(trace.level_dbm)) + loss_db,
            floor_dbm=float(median(trace.level_dbm)) + loss_db,
        )


def _envelope(item: Item, bench: Bench) -> list[RfState]:
    _, combination, step = item
    try:
        return [each.state for each in step.procedure.envelope(step.settings(combination), bench)]
    except BenchError:  # the step itself will say so
        return []
