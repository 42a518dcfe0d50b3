"""The level of a spectral line, read with the measured shape of the resolution filter.

The strongest line of a measurement, the tone, is far above the noise and draws the shape of the filter. A
weak line is that shape, scaled and shifted to where the line is known to be, on a flat floor: two numbers,
found by least squares with each point weighted by its statistics. So nothing depends on a point hitting the
top (the highest point loses up to 3.01 (spacing/RBW)^2 dB of a Gaussian) and no filter formula is assumed.
Nearer than 10 dB to the floor the answer is an upper bound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hilkit.analysis.averages import DB_PER_NEPER, SAMPLES_PER_BT
from hilkit.analysis.frequency import line_centre
from hilkit.errors import MeasurementError
from hilkit.readings import Bound, Trace

__all__ = [
    "BOUND_CONFIDENCE",
    "BOUND_UNDER_DB",
    "LineReading",
    "LineShape",
    "line_shape",
    "read_line",
    "stray_line_hz",
]

Array = NDArray[np.float64]

BOUND_UNDER_DB = 10.0
"""A line nearer to the floor than this is reported as an upper bound."""

BOUND_CONFIDENCE = 0.95
_BOUND_Z = 1.6449  # one-sided 95 % point of the normal law
# How well one line's shape fits another's: interpolation between points, phase noise. Keeps a strong line
# from being judged by its skirts, where a small difference of shape weighs more than the noise.
_SHAPE_FIDELITY = 0.003
_LEAST_SHAPE_SNR_DB = 20.0
_LEAST_REACH_RBW = 1.5


@dataclass(frozen=True, kw_only=True)
class LineShape:
    """The resolution filter as the tone draws it.

    ``level_db`` against ``offset_hz`` from the line's centre, 0 dB at its top, floor subtracted.
    ``centre_hz`` and ``level_dbm`` belong to the line that drew it.
    """

    offset_hz: Array
    level_db: Array
    centre_hz: float
    level_dbm: float
    rbw_hz: float

    def at(self, offset_hz: Array) -> Array:
        """Return the shape in dB at other distances from the centre, by cubic interpolation of the
        decibels."""
        spacing = self.offset_hz[1] - self.offset_hz[0]
        place = (offset_hz - self.offset_hz[0]) / spacing
        first = np.clip(np.floor(place).astype(int) - 1, 0, len(self.offset_hz) - 4)
        t = place - first
        y0, y1, y2, y3 = (self.level_db[first + k] for k in range(4))
        return np.asarray(
            -y0 * (t - 1) * (t - 2) * (t - 3) / 6
            + y1 * t * (t - 2) * (t - 3) / 2
            - y2 * t * (t - 1) * (t - 3) / 2
            + y3 * t * (t - 1) * (t - 2) / 6,
            dtype=float,
        )


@dataclass(frozen=True, kw_only=True)
class LineReading:
    """The level of one line.

    ``level_dbm`` is the level itself, or the upper bound with ``confidence`` where ``bound`` says so.
    ``sd_db`` is statistical. ``floor_dbm`` is the noise power in the resolution bandwidth at the line.
    """

    level_dbm: float
    sd_db: float
    floor_dbm: float
    above_floor_db: float
    bound: Bound = Bound.EXACT
    confidence: float | None = None


def line_shape(
    trace: Trace, *, near_hz: float | None = None, within_hz: float | None = None, reach_rbw: float = 5.0
) -> LineShape:
    """Return the shape of the filter from the strongest line (near ``near_hz``), up to ``reach_rbw`` on each
    side.

    ``MeasurementError`` if the line is not at least 20 dB above the lowest points around it or the points are
    more than half an RBW apart.
    """
    centre = line_centre(trace, near_hz=near_hz, within_hz=within_hz)
    offset = trace.frequency_hz - centre.frequency_hz
    near = np.abs(offset) <= reach_rbw * trace.rbw_hz
    power = 10 ** ((trace.level_dbm[near] - centre.level_dbm) / 10)
    # The lowest points by value would lie under the mean of the noise; those furthest away do not choose.
    edge = max(2, len(power) // 10)
    floor = float(min(np.mean(power[:edge]), np.mean(power[-edge:])))
    if floor > 10 ** (-_LEAST_SHAPE_SNR_DB / 10):
        raise MeasurementError(
            f"the line at {centre.frequency_hz / 1e6:.6f} MHz ({centre.level_dbm:.1f} dBm) stands only "
            f"{-10 * math.log10(floor):.1f} dB above what surrounds it; {_LEAST_SHAPE_SNR_DB:.0f} dB are "
            "needed to take "
            "it as the shape of the filter",
            next_step="raise the tone, or lower the attenuation between it and the analyser",
        )
    # Where the floor eats the line up its shape is not known; a small positive rest keeps the logarithm
    # finite.
    clean = np.maximum(power - floor, 0.01 * floor + 1e-12) / (1 - floor)
    return LineShape(
        offset_hz=offset[near],
        level_db=np.asarray(10 * np.log10(clean), dtype=float),
        centre_hz=centre.frequency_hz,
        level_dbm=centre.level_dbm + 10 * math.log10(1 - floor),
        rbw_hz=trace.rbw_hz,
    )


def read_line(trace: Trace, shape: LineShape, *, at_hz: float) -> LineReading:
    """Return the level of the line at ``at_hz`` in ``trace``, which has the RBW of ``shape``.

    ``ValueError`` if the settings differ; ``MeasurementError`` if the trace does not reach 1.5 RBW to both
    sides of the line.
    """
    if not math.isclose(trace.rbw_hz, shape.rbw_hz, rel_tol=1e-6):
        raise ValueError(f"the trace has an RBW of {trace.rbw_hz} Hz, the shape one of {shape.rbw_hz} Hz")
    offset = trace.frequency_hz - at_hz
    used = (offset >= shape.offset_hz[0]) & (offset <= shape.offset_hz[-1])
    _check_reach(trace, offset[used], at_hz)
    form = np.asarray(10 ** (shape.at(offset[used]) / 10), dtype=float)
    power = np.asarray(10 ** (trace.level_dbm[used] / 10), dtype=float)
    return _reading(_fit(power, form, samples=_fit_samples(trace)))


def stray_line_hz(
    trace: Trace, *, known_hz: list[float], guard_hz: float, above_db: float = 6.0
) -> float | None:
    """Return where the highest line that nobody expects stands in an overview trace, or ``None``.

    Points within ``guard_hz`` of a known line do not count. A line is a point at least ``above_db``, and 5
    standard deviations, above the running median of its surroundings, so that a skirt of phase noise is not
    taken for lines.
    """
    level = trace.level_dbm
    width = min(len(level) // 2 * 2 - 1, 61)
    padded = np.pad(level, width // 2, mode="reflect")
    local = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    sigma_db = 10 * math.log10(1 + 5 / math.sqrt(trace.samples_per_point))
    free = np.ones(len(level), dtype=bool)
    for hz in known_hz:
        free &= np.abs(trace.frequency_hz - hz) > guard_hz
    candidates = np.where(free & (level - local > max(above_db, sigma_db)), level, -np.inf)
    best = int(np.argmax(candidates))
    return float(trace.frequency_hz[best]) if np.isfinite(candidates[best]) else None


@dataclass(frozen=True, kw_only=True)
class _Fit:
    """Line power, floor power (mW) and the covariance of the two for a given line power."""

    line: float
    floor: float
    line_sd: float
    floor_sd: float
    form: Array
    samples: float

    def sd_at(self, line: float) -> float:
        """Return the standard deviation of the line power if it were ``line``."""
        return _solve(np.zeros_like(self.form), replace(self, line=line)).line_sd


def _check_reach(trace: Trace, offset: Array, at_hz: float) -> None:
    reach = _LEAST_REACH_RBW * trace.rbw_hz
    if len(offset) < 4 or offset[0] > -reach or offset[-1] < reach:
        raise MeasurementError(
            f"the trace {trace.frequency_hz[0] / 1e6:.6f}..{trace.frequency_hz[-1] / 1e6:.6f} MHz does not "
            "reach "
            f"{_LEAST_REACH_RBW} RBW to both sides of the line at {at_hz / 1e6:.6f} MHz",
            next_step="centre the sweep on the line",
        )


def _fit_samples(trace: Trace) -> float:
    # Where a point takes less than one correlation time, neighbours share their samples: do not count them
    # twice.
    dwell_s = trace.sweep_time_s / len(trace.frequency_hz)
    return min(trace.samples_per_point, SAMPLES_PER_BT * trace.rbw_hz * dwell_s * max(1, trace.averages))


def _fit(power: Array, form: Array, *, samples: float) -> _Fit:
    """Fit line and floor; the weights follow the fitted model, not the scattered data, so they add no
    bias."""
    floor = float(np.median(np.sort(power)[: max(2, len(power) // 2)]))
    top = int(np.argmax(form))
    start = max(float(power[top] - floor) / float(form[top]), 0.0)
    fit = _Fit(line=start, floor=floor, line_sd=0.0, floor_sd=0.0, form=form, samples=samples)
    for _ in range(4):
        fit = _solve(power, fit)
    return fit


def _solve(power: Array, guess: _Fit) -> _Fit:
    """One step of weighted least squares around ``guess``, the floor kept at or above zero."""
    line, floor, form = max(guess.line, 0.0), max(guess.floor, 1e-30), guess.form
    variance = (floor**2 + 2 * floor * line * form) / guess.samples + (_SHAPE_FIDELITY * line * form) ** 2
    weight = 1 / variance
    s_hh, s_h, s_1 = float(weight @ (form * form)), float(weight @ form), float(np.sum(weight))
    p_h, p_1 = float(weight @ (form * power)), float(weight @ power)
    determinant = s_hh * s_1 - s_h * s_h
    new_line = (p_h * s_1 - p_1 * s_h) / determinant
    new_floor = (p_1 * s_hh - p_h * s_h) / determinant
    if new_floor <= 0 < p_h:
        new_line, new_floor = p_h / s_hh, math.sqrt(s_hh / determinant)
    return replace(
        guess,
        line=new_line,
        floor=new_floor,
        line_sd=math.sqrt(s_1 / determinant),
        floor_sd=math.sqrt(s_hh / determinant),
    )


def _reading(fit: _Fit) -> LineReading:
    floor_dbm = 10 * math.log10(fit.floor)
    smallest = fit.floor * 1e-6
    above = 10 * math.log10(max(fit.line, smallest) / fit.floor)
    if above >= BOUND_UNDER_DB:
        return LineReading(
            level_dbm=10 * math.log10(fit.line),
            sd_db=DB_PER_NEPER * fit.line_sd / fit.line,
            floor_dbm=floor_dbm,
            above_floor_db=above,
        )
    # A line at the bound would scatter more than one at the fitted value; the bound is where both agree.
    upper = max(fit.line, 0.0)
    for _ in range(6):
        upper = max(fit.line, 0.0) + _BOUND_Z * fit.sd_at(upper)
    return LineReading(
        level_dbm=10 * math.log10(upper),
        sd_db=DB_PER_NEPER * fit.line_sd / max(fit.line, fit.line_sd),
        floor_dbm=floor_dbm,
        above_floor_db=above,
        bound=Bound.UPPER,
        confidence=BOUND_CONFIDENCE,
    )
