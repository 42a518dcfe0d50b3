"""The uncertainty budget of each kind of reading, put together from what the bench file and the sweep say.

Nothing is invented: a part without a figure in the bench file becomes a line that says so, and whoever shows
the uncertainty calls it incomplete.

An analyser's mixer bends: y = x + c |x|^2 x for the envelope x, with |c| = 1/IP of its third-order intercept,
where the product of two equal lines would be as strong as they. A line of power P is then changed by the
factor |1 + c P|, at most by 8.7 P/IP dB, and one beside a stronger line by |1 + 2 c P|, P being that of the
stronger one: in a ratio to it the one half is left. So is a modulated signal like noise, for which E|x|^4 =
2 P^2. The phase of c is not known, as a rule near 180 degrees: the change has a U-shaped distribution.

Lines that depend on the settings alone are made once and used again,
since a power sweep has a thousand points.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from hilkit.analysis.averages import DB_PER_NEPER, SAMPLES_PER_BT
from hilkit.bench.path import frequency_text
from hilkit.bench.path_budget import missing_line, path_lines
from hilkit.judgement.correlation import difference
from hilkit.readings import Bound, Budget, BudgetLine, Distribution

if TYPE_CHECKING:
    from hilkit.analysis import BandPower, LineReading
    from hilkit.bench import Bench
    from hilkit.bench.accuracy import AccuracyFigure
    from hilkit.readings import Trace

__all__ = [
    "LevelBudgets",
    "counted",
    "frequency_budget",
    "ratio_budget",
    "scatter_line",
    "time_budget",
    "unknown",
    "with_unit",
]

_IN_BOUND = "counted in the bound itself"
_STATES = (
    ("level", "analyser level", "level"),
    ("attenuation_switching", "input attenuator", "attenuation {trace.attenuation_db:g} dB"),
    ("rbw_switching", "resolution filter", "filter {trace.rbw_hz:g} Hz"),
    (
        "reference_level",
        "reference level",
        "reference level {trace.reference_level_dbm:g} dBm, preamplifier {trace.preamplifier}",
    ),
)
"""Figures that belong to a state of the analyser, what the line is called, and what two readings share."""


class LevelBudgets:
    """Budgets of levels at the port of one channel.

    ``near_hz`` is the middle of the frequencies over which an element's error of loss counts as one and the
    same: the carrier, as a rule.
    """

    def __init__(self, bench: Bench, channel: int, *, near_hz: float) -> None:
        self._bench = bench
        self.path = bench.path(channel)
        self._analyser = next(iter(bench.of_class("signal_analyser")), None)
        self.near, self._near_hz = frequency_text(near_hz), near_hz
        self._figures: dict[str, AccuracyFigure | None] = {}
        self._known: dict[tuple[object, ...], tuple[BudgetLine, ...]] = {}

    def line(
        self,
        trace: Trace,
        reading: LineReading,
        *,
        frequency_hz: float,
        pad_db: float,
        beside_dbm: float | None = None,
    ) -> Budget:
        """Return the budget of the level of a spectral line that was read in ``trace``.

        ``beside_dbm`` is the level at the analyser of the strongest line, where that is another one.
        """
        lines = (
            *self.common(trace, frequency_hz=frequency_hz, pad_db=pad_db),
            *self.scale(trace, reading.level_dbm),
            *self.compression(trace, reading.level_dbm, beside_dbm=beside_dbm),
            self.noise(trace, reading),
        )
        return self._bench.budget("dBm", lines)

    def of(self, unit: str, lines: Sequence[BudgetLine]) -> Budget:
        """Return the budget of lines of this path, with the correlations that the bench file states."""
        return self._bench.budget(unit, lines)

    def noise(self, trace: Trace, reading: LineReading) -> BudgetLine:
        """Return the line of a reading's noise, from the averages really taken; 0 where a bound holds it."""
        in_bound = reading.bound is Bound.UPPER
        return scatter_line(
            "noise",
            0.0 if in_bound else reading.sd_db,
            unit="dB",
            freedom=_freedom(trace, points=len(trace.level_dbm), fitted=2),
            source=_IN_BOUND if in_bound else _averages(trace),
        )

    def band(
        self,
        trace: Trace,
        power: BandPower,
        *,
        frequency_hz: float,
        pad_db: float,
        floor_db: float,
        subtracted: bool,
        beside_dbm: float | None = None,
    ) -> Budget:
        """Return the budget of a power in a band around ``frequency_hz``.

        ``floor_db`` is the power of the floor in the band against ``power``; ``subtracted`` tells whether it
        was taken off or the power is an upper bound. ``beside_dbm`` is the level of the carrier at the port,
        where the band lies beside it.
        """
        near = np.abs(trace.frequency_hz - frequency_hz) <= power.bandwidth_hz / 2
        scatter = scatter_line(
            "noise",
            power.sd_db if subtracted else 0.0,
            unit="dB",
            freedom=_freedom(trace, points=float(np.count_nonzero(near)), fitted=1),
            source=_averages(trace) if subtracted else _IN_BOUND,
        )
        strongest_dbm = power.level_dbm if beside_dbm is None else beside_dbm
        at_input_dbm = strongest_dbm - self.path.loss_db(frequency_hz, pad_db=pad_db)
        lines = (
            *self.common(trace, frequency_hz=frequency_hz, pad_db=pad_db),
            *self.scale(trace, float(np.median(trace.level_dbm[near]))),
            *self.compression(trace, at_input_dbm, beside_dbm=at_input_dbm),
            self.noise_bandwidth(),
            *(self._floor(floor_db) if subtracted else ()),
            scatter,
        )
        return self._bench.budget("dBm", lines)

    def common(self, trace: Trace, *, frequency_hz: float, pad_db: float) -> tuple[BudgetLine, ...]:
        """Return the lines that do not depend on the level read: analyser state, path, mismatch."""
        key = (
            frequency_hz,
            pad_db,
            trace.rbw_hz,
            trace.attenuation_db,
            trace.reference_level_dbm,
            trace.preamplifier,
        )
        if key not in self._known:
            path = path_lines(self.path, frequency_hz, pad_db=pad_db, near=self.near, near_hz=self._near_hz)
            self._known[key] = (*self._states(trace, frequency_hz), *path)
        return self._known[key]

    def scale(self, trace: Trace, level_dbm: float) -> tuple[BudgetLine, ...]:
        """Return the line of the scale's error at a level: in proportion to the distance from the reference
        level where the bench file says so, else its limit.
        """
        most, slope = self._figure("linearity"), self._figure("linearity_per_10db")
        if slope is None and most is None:
            return (missing_line("scale", "no linearity in the bench file"),)
        # To half a dB: a line of its own for each level would keep like budgets from being recognised.
        tens = round(2 * (level_dbm - trace.reference_level_dbm)) / 20
        if slope is not None and (most is None or slope.limit * abs(tens) <= most.limit):
            return (slope.line("scale", sensitivity=tens, shared="analyser scale"),)
        return (most.line("scale"),) if most is not None else ()

    def compression(
        self, trace: Trace, level_dbm: float, *, beside_dbm: float | None = None
    ) -> tuple[BudgetLine, ...]:
        """Return the line of what the analyser's mixer takes from a level, or gives to it (see above).

        Without an intercept in the bench file there is none: its range is chosen so that it is some 0.005 dB.
        """
        accuracy = self._analyser.accuracy if self._analyser else None
        intercept = accuracy.third_order_intercept if accuracy else None
        if self._analyser is None or intercept is None or trace.preamplifier:
            return ()
        strongest_dbm = level_dbm if beside_dbm is None else beside_dbm
        over_db = strongest_dbm - trace.attenuation_db - intercept.dbm
        line = BudgetLine.from_half_width(
            "compression in the analyser",
            float(f"{2 * DB_PER_NEPER * 10 ** (over_db / 10):.2g}"),
            unit="dB",
            source=f"bench file: third-order intercept of {self._analyser.name}",
            distribution=Distribution.ARCSINE,
            sensitivity=1.0 if beside_dbm is None else 2.0,
            shared="analyser compression",
        )
        return (line,)

    def _states(self, trace: Trace, frequency_hz: float) -> Iterator[BudgetLine]:
        for key, quantity, state in _STATES:
            figure, shared = self._figure(key), f"analyser {state.format(trace=trace)}"
            if figure is not None:
                yield figure.line(quantity, shared=shared)
            elif key == "level":
                yield missing_line(quantity, "no level accuracy in the bench file", shared=shared)
        flatness, repeatability = self._figure("flatness"), self._figure("repeatability")
        if flatness is not None and self._flatness_is_common():
            yield flatness.line("flatness", shared=f"analyser flatness near {self.near}")
        elif flatness is not None:
            yield flatness.line("flatness", shared="analyser flatness", frequency_hz=frequency_hz)
        if repeatability is not None:
            yield repeatability.line("analyser repeatability")
        resolution = (
            self._analyser.accuracy.resolution if self._analyser and self._analyser.accuracy else None
        )
        if resolution is not None and resolution.db > 0:
            source = f"bench file: {self._analyser.name} resolution" if self._analyser else ""
            yield BudgetLine.from_half_width("resolution", resolution.db / 2, unit="dB", source=source)

    def _flatness_is_common(self) -> bool:
        """Whether the error of flatness stays the same over all that is read around one carrier."""
        accuracy = self._analyser.accuracy if self._analyser else None
        over = accuracy.flatness_over if accuracy else None
        return over is not None and over.hz >= self._bench.radio.bandwidth_hz

    def noise_bandwidth(self) -> BudgetLine:
        """Return the line of the filter's noise bandwidth."""
        figure = self._figure("noise_bandwidth")
        if figure is None:
            source = "no noise_bandwidth accuracy in the bench file"
            return missing_line("noise bandwidth", source, unit="1", shared="analyser noise bandwidth")
        # A filter wider than believed lets more noise through, and the power is divided by too little.
        return figure.line("noise bandwidth", sensitivity=DB_PER_NEPER, shared="analyser noise bandwidth")

    def _floor(self, floor_db: float) -> Iterator[BudgetLine]:
        """The floor was swept at another moment: what the analyser's gain did in between is left of it."""
        repeatability = self._figure("repeatability")
        if repeatability is not None:
            share = -(10 ** (floor_db / 10))
            yield repeatability.line("floor subtracted", sensitivity=float(f"{share:.2g}"))

    def _figure(self, key: str) -> AccuracyFigure | None:
        if key not in self._figures:
            self._figures[key] = self._analyser.figure(key) if self._analyser is not None else None
        return self._figures[key]


def scatter_line(quantity: str, sd: float, *, unit: str, freedom: float, source: str) -> BudgetLine:
    """Return the type A line of a standard deviation, stated to two digits (JCGM 100, 7.2.6)."""
    return BudgetLine(
        quantity=quantity,
        estimate=0.0,
        unit=unit,
        standard=float(f"{sd:.2g}"),
        distribution=Distribution.NORMAL,
        divisor=1.0,
        degrees_of_freedom=freedom,
        source=source,
    )


def ratio_budget(product: Budget, tone: Budget, unit: str = "dBc") -> Budget:
    """Return the budget of one level against another; what both share cancels."""
    return difference(product, tone, unit)


def frequency_budget(bench: Bench, trace: Trace, *, frequency_hz: float, sd_hz: float) -> Budget:
    """Return the budget of a frequency read in a narrow span, in Hz."""
    analyser = next(iter(bench.of_class("signal_analyser")), None)
    house = bench.reference == "external"
    figure = bench.reference_accuracy if house else analyser.figure("reference") if analyser else None
    name = "house reference" if house else "analyser reference"
    if figure is None:
        key = "reference_accuracy" if house else "reference accuracy of the analyser"
        reference = missing_line(name, f"no {key} in the bench file", unit="1", shared=name)
    else:
        reference = figure.line(name, sensitivity=frequency_hz, shared=name)
    axis = analyser.figure("span_axis") if analyser else None
    lines = [reference]
    if axis is not None:
        centre_hz = float(trace.frequency_hz[0] + trace.frequency_hz[-1]) / 2
        off_hz = float(f"{abs(frequency_hz - centre_hz):.2g}")
        lines.append(axis.line("axis of the span", sensitivity=off_hz))
    else:
        lines.append(missing_line("axis of the span", "no span_axis accuracy in the bench file", unit="1"))
    freedom = _freedom(trace, points=len(trace.level_dbm), fitted=5)
    lines.append(
        scatter_line("noise", sd_hz, unit="Hz", freedom=freedom, source="scatter of the fitted line")
    )
    return bench.budget("Hz", lines)


def time_budget(resolution_s: float, what: str) -> Budget:
    """Return the budget of a time that is known to one look only: it ended within the last look."""
    if resolution_s <= 0:
        return counted("s")
    line = BudgetLine.from_half_width("one look", float(f"{resolution_s:.3g}"), unit="s", source=what)
    return Budget(unit="s", lines=(line,))


def counted(unit: str = "1") -> Budget:
    """Return the budget of what is exact: a count, a state."""
    return Budget(unit=unit, lines=())


def unknown(quantity: str, unit: str, source: str) -> Budget:
    """Return the budget of a number that the radio reports, of whose accuracy nothing is known."""
    return Budget(unit=unit, lines=(missing_line(quantity, source, unit=unit),))


def with_unit(budget: Budget | None, unit: str) -> Budget | None:
    """Return the same budget for a reading in another unit of the same size."""
    return None if budget is None else replace(budget, unit=unit)


def _averages(trace: Trace) -> str:
    return (
        f"{trace.samples_per_point:.3g} samples a point, {trace.averages} average{'s'[: trace.averages != 1]}"
    )


def _freedom(trace: Trace, *, points: float, fitted: int) -> float:
    """Return the degrees of freedom behind a fit: the independent samples of all points, less what was
    fitted."""
    dwell_s = trace.sweep_time_s / len(trace.level_dbm)
    each = min(trace.samples_per_point, SAMPLES_PER_BT * trace.rbw_hz * dwell_s * max(1, trace.averages))
    return float(max(1, math.floor(each * points) - fitted))
