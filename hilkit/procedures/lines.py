"""Reading all lines of an offset tone: one narrow sweep each, all with the same filter, range and points.

The stronger of tone and image draws the shape of the resolution filter; every line is read with that shape at
the distance from it that the offset gives. The offset is made of digits in the radio, so that distance is
exact to the error of its reference: 0.1 ppm of 50 MHz is 5 Hz.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from hilkit.analysis import (
    LINES,
    LineReading,
    LineShape,
    line_centre,
    line_frequency_hz,
    line_shape,
    noise_floor,
    rbw_for_floor_hz,
    read_line,
    stray_line_hz,
)
from hilkit.errors import MeasurementError
from hilkit.procedures.budgets import ratio_budget
from hilkit.procedures.receiver import Receiver
from hilkit.procedures.sweeps import SAMPLES, narrow_sweep, nice_rbw_hz, wide_sweep
from hilkit.readings import Bound, Budget, Evidence, Trace
from hilkit.safety import RfState

__all__ = ["FLOOR_UNDER_DB", "Line", "Picture", "ToneLines", "wrong_side"]

FLOOR_UNDER_DB = 20.0
"""The floor is put this far under the lowest line that has to be resolved: 0.2 dB at 200 samples a point."""

_LEAST_RBW_HZ = 1e3
_LEAST_TONE_DB = 20.0
_OVERVIEW_SAMPLES = 20.0
_MOST_OFF_CENTRE_RBW = 1.0
_STRAY_GUARD_RBW = 12.0


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line: its distance from the tone in dBc with path loss at both frequencies, and how it was read.

    ``budget`` is that of ``port_dbm``, ``relative_budget`` that of ``relative_dbc``, ``None`` for the tone.
    """

    multiple: int
    frequency_hz: float
    port_dbm: float
    relative_dbc: float
    reading: LineReading
    trace: Trace
    evidence: tuple[Evidence, ...]
    budget: Budget
    relative_budget: Budget | None = None

    def against(self, tone: Line) -> Line:
        """Return the line with its distance from ``tone``."""
        return replace(
            self,
            relative_dbc=self.port_dbm - tone.port_dbm,
            relative_budget=ratio_budget(self.budget, tone.budget),
        )


@dataclass(frozen=True, kw_only=True)
class Picture:
    """All lines of one state, the overview they stand in, and the highest line that nobody expects, if
    any."""

    lines: Mapping[int, Line]
    overview: Trace
    stray: Line | None
    evidence: tuple[Evidence, ...]
    note: str

    @property
    def tone(self) -> Line:
        """The line where the tone should be."""
        return self.lines[1]


class ToneLines:
    """Reads the lines of the tone that ``state`` plays, over ``low_hz``..``high_hz``."""

    def __init__(
        self, receiver: Receiver, state: RfState, *, low_hz: float, high_hz: float, depth_dbc: float
    ) -> None:
        if state.tone_offset_hz is None:
            raise ValueError("this state plays no tone")
        self.receiver = receiver
        self.state = state
        self.middle_hz, self.offset_hz = _comb(state.carrier_hz, state.tone_offset_hz, state.second_offset_hz)
        self.low_hz, self.high_hz = low_hz, high_hz
        self.depth_dbc = depth_dbc
        self.rbw_hz = 0.0
        self.shape: LineShape | None = None
        self.strong = 1

    def nominal_hz(self, multiple: int) -> float:
        """Return where a line should be."""
        return line_frequency_hz(self.middle_hz, self.offset_hz, multiple)

    def expected_hz(self, multiple: int) -> float:
        """Return where a line is, on the analyser's axis, from where the strongest was found."""
        if self.shape is None:
            return self.nominal_hz(multiple)
        return self.shape.centre_hz + (multiple - self.strong) * self.offset_hz

    def overview(self) -> tuple[Trace, tuple[Evidence, ...]]:
        """Sweep the whole band once, for the picture, the floor and lines that nobody expects."""
        rbw_hz = min((self.high_hz - self.low_hz) / 500, abs(self.offset_hz) / 10)
        setup = wide_sweep(
            self.low_hz,
            self.high_hz,
            rbw_hz=rbw_hz,
            at=self.receiver.range,
            limits=self.receiver.limits,
            samples=_OVERVIEW_SAMPLES,
        )
        trace, evidence = self.receiver.sweep(setup)
        return trace, evidence

    def take(self, multiples: Iterable[int] = tuple(LINES), *, strays: bool = True) -> Picture:
        """Read lines (tone and image among them): overview, then the strong line, then each of them.

        ``strays`` also looks for lines that nobody expects.
        """
        overview, evidence = self.overview()
        self.find(overview)
        lines: dict[int, Line] = {}
        traces = {multiple: self._sweep_at(self.expected_hz(multiple)) for multiple in multiples}
        # Drawn by a sweep among the others, so that all of them share whatever drifts.
        self._draw(traces[self.strong][0])
        tone = self._read(1, *traces[1])
        lines[1] = tone
        for multiple, (trace, seen) in traces.items():
            if multiple != 1:
                lines[multiple] = self._read(multiple, trace, seen, tone)
        two = self.state.second_offset_hz is not None
        doubts = (*evidence, *(() if two else wrong_side(lines)))
        return Picture(
            lines=lines,
            overview=overview,
            stray=self._stray(overview, tone) if strays else None,
            evidence=doubts,
            note=next((each.sentence for each in doubts if each.held is False), ""),
        )

    def find(self, overview: Trace) -> None:
        """Find the stronger of tone and image, choose the filter from the floor, and draw its shape."""
        floor = noise_floor(overview)
        levels = {multiple: self._top(overview, multiple) for multiple in (1, -1)}
        self.strong = 1 if levels[1] >= levels[-1] else -1
        level_dbm = levels[self.strong]
        if level_dbm - floor.level_dbm < _LEAST_TONE_DB:
            raise self._no_tone(overview, level_dbm, floor.level_dbm)
        wanted_hz = rbw_for_floor_hz(
            density_dbm_hz=floor.density_dbm_hz,
            floor_dbm=level_dbm + self.depth_dbc - FLOOR_UNDER_DB,
            noise_bandwidth_ratio=overview.noise_bandwidth_hz / overview.rbw_hz,
        )
        widest_hz = min(abs(self.offset_hz) / 20, 300e3)
        self.rbw_hz = nice_rbw_hz(max(min(wanted_hz, widest_hz), _LEAST_RBW_HZ), self.receiver.limits)
        self.receiver.session.note(
            f"filter {self.rbw_hz / 1e3:g} kHz: noise of {floor.density_dbm_hz:.1f} dBm/Hz under a line of "
            f"{level_dbm:.1f} dBm, to be resolved down to {self.depth_dbc:g} dBc"
        )
        self._centre()

    def frequency(self) -> tuple[float, float, Trace, tuple[Evidence, ...]]:
        """Return frequency and scatter of the tone in hertz from a narrow span of its own, with trace and
        checks.

        A first sweep centres the line: an error of the axis in proportion to the distance from its centre is
        then nothing, and one in proportion to the span is 0.1 % of four filter widths.
        """
        rbw_hz = nice_rbw_hz(max(self.rbw_hz / 30, 300.0), self.receiver.limits)
        centre_hz = self.expected_hz(1)
        for span_rbw in (10.0, 4.0):
            setup = narrow_sweep(
                centre_hz,
                rbw_hz=rbw_hz,
                at=self.receiver.range,
                limits=self.receiver.limits,
                span_rbw=span_rbw,
                samples=20,
            )
            trace, evidence = self.receiver.sweep(setup)
            found = line_centre(trace)
            centre_hz = found.frequency_hz
        return found.frequency_hz, found.sd_hz, trace, evidence

    def read_at(self, frequency_hz: float, tone: Line) -> Line:
        """Read whatever stands at one more frequency, against ``tone``."""
        trace, evidence = self._sweep_at(frequency_hz)
        return self._reading(0, frequency_hz, trace, evidence).against(tone)

    def _sweep_at(
        self, frequency_hz: float, rbw_hz: float | None = None
    ) -> tuple[Trace, tuple[Evidence, ...]]:
        setup = narrow_sweep(
            frequency_hz,
            rbw_hz=rbw_hz or self.rbw_hz,
            at=self.receiver.range,
            limits=self.receiver.limits,
            samples=SAMPLES,
        )
        return self.receiver.sweep(setup)

    def _centre(self) -> None:
        """Draw the shape from a sweep that has the strong line in its middle."""
        centre_hz = self.nominal_hz(self.strong)
        try:
            self._draw(self._sweep_at(centre_hz)[0])
        except MeasurementError:
            # Further off than the narrow span: look with a filter ten times as wide first.
            wide = self._sweep_at(centre_hz, nice_rbw_hz(self.rbw_hz * 10, self.receiver.limits))[0]
            centre_hz = line_centre(wide).frequency_hz
            self._draw(self._sweep_at(centre_hz)[0])
        if (
            self.shape is not None
            and abs(self.shape.centre_hz - centre_hz) > _MOST_OFF_CENTRE_RBW * self.rbw_hz
        ):
            self._draw(self._sweep_at(self.shape.centre_hz)[0])

    def _draw(self, trace: Trace) -> None:
        self.shape = line_shape(trace)

    def _top(self, overview: Trace, multiple: int) -> float:
        near = abs(overview.frequency_hz - self.nominal_hz(multiple)) <= 2 * overview.rbw_hz
        return float(overview.level_dbm[near].max())

    def _no_tone(self, overview: Trace, level_dbm: float, floor_dbm: float) -> MeasurementError:
        best = int(overview.level_dbm.argmax())
        return MeasurementError(
            f"no tone at {self.nominal_hz(1) / 1e6:.6f} MHz: {level_dbm:.1f} dBm at the analyser, floor "
            f"{floor_dbm:.1f} "
            f"dBm; the highest line is {overview.level_dbm[best]:.1f} dBm at "
            f"{overview.frequency_hz[best] / 1e6:.3f} MHz",
            next_step="check that RF is on, that this channel is routed to the analyser, and its level in "
            "the bench file",
        )

    def _reading(
        self, multiple: int, frequency_hz: float, trace: Trace, evidence: tuple[Evidence, ...]
    ) -> Line:
        if self.shape is None:
            raise ValueError("the tone has to be found before a line is read")
        reading = read_line(trace, self.shape, at_hz=frequency_hz)
        return Line(
            multiple=multiple,
            frequency_hz=frequency_hz,
            port_dbm=reading.level_dbm + self.receiver.loss_db(frequency_hz),
            relative_dbc=0.0,
            reading=reading,
            trace=trace,
            evidence=evidence,
            budget=self.receiver.budgets.line(
                trace,
                reading,
                frequency_hz=frequency_hz,
                pad_db=self.receiver.pad_db,
                beside_dbm=None if multiple == self.strong else self.shape.level_dbm,
            ),
        )

    def _read(
        self, multiple: int, trace: Trace, evidence: tuple[Evidence, ...], tone: Line | None = None
    ) -> Line:
        line = self._reading(multiple, self.expected_hz(multiple), trace, evidence)
        return line if tone is None else line.against(tone)

    def _stray(self, overview: Trace, tone: Line) -> Line | None:
        known = [self.expected_hz(multiple) for multiple in LINES]
        at_hz = stray_line_hz(overview, known_hz=known, guard_hz=_STRAY_GUARD_RBW * overview.rbw_hz)
        if at_hz is None:
            return None
        # The overview's axis is good to about its spacing; a line found there is centred before it is read.
        wide = self._sweep_at(at_hz, nice_rbw_hz(max(overview.rbw_hz, self.rbw_hz), self.receiver.limits))[0]
        try:
            at_hz = line_centre(wide).frequency_hz
            return self.read_at(at_hz, tone)
        except MeasurementError:
            return None


def _comb(carrier_hz: float, offset_hz: float, second_hz: float | None) -> tuple[float, float]:
    """Return the middle and the spacing of which lines are multiples: two tones are at -1 and +1."""
    if second_hz is None:
        return carrier_hz, offset_hz
    return carrier_hz + (offset_hz + second_hz) / 2, (second_hz - offset_hz) / 2


def wrong_side(lines: Mapping[int, Line]) -> tuple[Evidence, ...]:
    """Return the check that the tone stands on the side of the carrier where it was put."""
    tone, image = lines.get(1), lines.get(-1)
    if tone is None or image is None:
        return ()
    right = image.port_dbm < tone.port_dbm
    where = (
        f"{image.frequency_hz / 1e6:.6f} MHz holds {image.port_dbm:.1f} dBm, "
        f"{tone.frequency_hz / 1e6:.6f} MHz"
    )
    return (
        Evidence(
            name="sideband",
            held=right,
            observed=f"{image.relative_dbc:+.1f} dBc at the image",
            required="below 0 dBc",
            sentence="the tone is on its side of the carrier"
            if right
            else f"the sideband is on the wrong side of the carrier: {where} where the tone belongs only "
            f"{tone.port_dbm:.1f} dBm; I and Q are swapped, or one of them is inverted",
        ),
    )


def worst_of(lines: Iterable[Line]) -> Line:
    """Return the highest line; a bound counts with its value."""
    return max(lines, key=lambda line: line.relative_dbc)


def is_bound(line: Line) -> bool:
    """Return whether the line is known by an upper bound only."""
    return line.reading.bound is Bound.UPPER
