"""Switching the radio's running corrections on, and watching image and LO leakage fall until they settle."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilkit.analysis import LineReading, line_shape, read_line
from hilkit.errors import MeasurementError
from hilkit.procedures.budgets import ratio_budget, time_budget
from hilkit.procedures.evidence.floor import floor_check
from hilkit.procedures.lines import ToneLines
from hilkit.procedures.sweeps import wide_sweep
from hilkit.readings import Bound, Budget, Evidence, Measured, Trace

if TYPE_CHECKING:
    from hilkit.instruments import SweepSetup
    from hilkit.safety import Session

__all__ = ["SETTLING_S", "Convergence", "Moment", "switch_corrections"]

SETTLING_S = 1.5
"""Time that corrections usually take to settle; only the time that a run announces rests on it."""

_POLL_S = 0.1
_SAMPLES = 10.0
_SPAN_OFFSETS = 1.2
_RBW_OFFSETS = 20.0


@dataclass(frozen=True, kw_only=True)
class Moment:
    """Image and LO leakage at one time after the corrections were switched on, in dBc.

    ``budgets`` has the budget of each under ``image`` and ``lo_leakage``, ``evidence`` the checks of the
    sweep that both come from and of the line's distance to the floor.
    """

    time_s: float
    image_dbc: float
    image: LineReading
    leakage_dbc: float
    leakage: LineReading
    budgets: Mapping[str, Budget]
    evidence: Mapping[str, tuple[Evidence, ...]]


def switch_corrections(session: Session, channel: int, *, on: bool, deadline_s: float) -> None:
    """Switch the corrections of a channel off, or on and wait until they settle: RF and a stream must be on.

    Raises ``MeasurementError`` if they are stuck, or not settled within ``deadline_s``.
    """
    radio = session.radio
    radio.set_corrections(channel, on)
    if not on:
        return
    session.wait_until(
        lambda: radio.corrections_state(channel).state in ("settled", "stuck"),
        deadline_s=deadline_s,
        poll_s=_POLL_S,
        what=f"the corrections of channel {channel} settle",
    )
    if (state := radio.corrections_state(channel).state) != "settled":
        raise MeasurementError(
            f"the corrections of channel {channel} are {state}",
            next_step="use more drive or less attenuation, run the initial calibration, or measure without "
            "corrections",
        )


class Convergence:
    """Follows the corrections of one channel with one sweep setting that holds tone, LO and image at once.

    The filter is a twentieth of the offset wide: an axis error of 0.1 % of the span then moves a line by a
    twentieth of the filter, 0.03 dB, and one sweep takes milliseconds.
    """

    def __init__(self, session: Session, tone: ToneLines) -> None:
        self._session = session
        self._tone = tone
        self._channel = tone.state.channel
        self.settled = False
        self.state = "off"
        self.time_s = 0.0
        self.resolution_s = 0.0
        self.deadline_s = 0.0

    def follow(self, *, deadline_s: float, poll_s: float) -> Iterator[Moment]:
        """Switch the corrections on and yield a moment per look, until the radio reports an end or time is
        up."""
        self.deadline_s = deadline_s
        clock, radio = self._session.clock, self._session.radio
        self._tone.receiver.analyser.configure(self._setup())
        start, deadline = clock.now(), clock.deadline(deadline_s)
        radio.set_corrections(self._channel, True)
        last = start
        while True:
            trace = self._tone.receiver.analyser.acquire()
            self.state = radio.corrections_state(self._channel).state
            self.time_s = clock.now() - start
            self.resolution_s, last = clock.now() - last, clock.now()
            yield self._moment(trace)
            if self.state in ("settled", "stuck") or deadline.passed:
                break
            clock.sleep(min(poll_s, deadline.left))
        self.settled = self.state == "settled"

    def reading(self, name: str) -> Measured:
        """Return the time until the radio reported the corrections settled, a lower bound if it never did."""
        if self.settled:
            note, bound = f"good to {self.resolution_s:.3g} s, one look", Bound.EXACT
        else:
            note, bound = self.evidence().sentence, Bound.LOWER
        budget = time_budget(self.resolution_s, "time between two looks")
        return Measured(name=name, value=self.time_s, bound=bound, note=note, budget=budget)

    def evidence(self) -> Evidence:
        """Return the check that the corrections settled."""
        return Evidence(
            name="corrections settled",
            held=self.settled,
            observed=self.state,
            required="settled",
            sentence=f"the corrections settled within {self.time_s:.3g} s"
            if self.settled
            else f"the corrections are {self.state} {self.time_s:.3g} s after they were switched on "
            "(allowed: "
            f"{self.deadline_s:g} s)",
        )

    def _setup(self) -> SweepSetup:
        offset_hz = abs(self._tone.offset_hz)
        centre_hz, half_hz = self._tone.expected_hz(0), _SPAN_OFFSETS * offset_hz
        return wide_sweep(
            centre_hz - half_hz,
            centre_hz + half_hz,
            rbw_hz=offset_hz / _RBW_OFFSETS,
            at=self._tone.receiver.range,
            limits=self._tone.receiver.limits,
            samples=_SAMPLES,
        )

    def _moment(self, trace: Trace) -> Moment:
        tone, receiver = self._tone, self._tone.receiver
        reach_hz = 3 * trace.rbw_hz
        shape = line_shape(trace, near_hz=tone.expected_hz(tone.strong), within_hz=reach_hz)

        def line(multiple: int) -> tuple[LineReading, float, Budget]:
            at_hz = shape.centre_hz + (multiple - tone.strong) * tone.offset_hz
            reading, nominal_hz = read_line(trace, shape, at_hz=at_hz), tone.nominal_hz(multiple)
            budget = receiver.budgets.line(
                trace,
                reading,
                frequency_hz=nominal_hz,
                pad_db=receiver.pad_db,
                beside_dbm=None if multiple == tone.strong else shape.level_dbm,
            )
            return reading, reading.level_dbm + receiver.loss_db(nominal_hz), budget

        _, tone_dbm, tone_budget = line(1)
        image, image_dbm, image_budget = line(-1)
        leakage, leakage_dbm, leakage_budget = line(0)
        seen = receiver.checks()

        def doubts(reading: LineReading, name: str) -> tuple[Evidence, ...]:
            return (*seen, floor_check(reading.above_floor_db, reading.bound, trace, name=name))

        return Moment(
            time_s=self.time_s,
            image_dbc=image_dbm - tone_dbm,
            image=image,
            leakage_dbc=leakage_dbm - tone_dbm,
            leakage=leakage,
            budgets={
                "image": ratio_budget(image_budget, tone_budget),
                "lo_leakage": ratio_budget(leakage_budget, tone_budget),
            },
            evidence={
                "image": doubts(image, "the image"),
                "lo_leakage": doubts(leakage, "the LO leakage"),
            },
        )
