"""Which sweep answers which question: input range, filter, points and sweep time, chosen from what is wanted.

Every sweep uses the RMS detector and averages power, since only power adds and only power has a floor that
can be subtracted. The analyser's range is chosen once from the predicted level and then stays: a ratio of two
readings taken with different input attenuations would hold the attenuator's own error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilkit.analysis import sweep_time_s
from hilkit.instruments import SweepSetup

if TYPE_CHECKING:
    from hilkit.instruments import AnalyserLimits

__all__ = ["HEADROOM_DB", "InputRange", "input_range", "narrow_sweep", "nice_rbw_hz", "wide_sweep"]

HEADROOM_DB = 3.0
"""Reference level above the predicted level."""

MIXER_LEVEL_DBM = -20.0
"""Level at the analyser's first mixer: its own third-order products of the tone and a weak line then lie some
70 dB under that line for an intercept of +15 dBm, and its floor some 130 dB/Hz under the tone (common
practice, no source)."""

SLOW_SWEEP = 20.0
"""Least sweep time as a multiple of span/RBW^2; a filter needs 2 to 3 (Application Note 150, p. 23), and what
a swept line loses and shifts falls with the square of the multiple."""

NARROW_SPAN_RBW = 10.0
NARROW_POINTS = 51
SAMPLES = 200.0
"""Independent samples behind each point of a sweep for numbers; 150 are needed for 0.7 dB at 10 dB above the
floor."""


@dataclass(frozen=True, kw_only=True)
class InputRange:
    """The analyser's range: what stays fixed during a comparison."""

    reference_level_dbm: float
    attenuation_db: float


def input_range(expected_dbm: float, limits: AnalyserLimits) -> InputRange:
    """Return the range for a signal of ``expected_dbm`` at the analyser's input connector."""
    step = limits.attenuation_step_db or 1.0
    wanted = math.ceil(max(0.0, expected_dbm - MIXER_LEVEL_DBM) / step - 1e-9) * step
    lowest, highest = limits.attenuation_db
    low, high = limits.reference_level_dbm
    return InputRange(
        reference_level_dbm=min(max(math.ceil(expected_dbm + HEADROOM_DB), low), high),
        attenuation_db=min(max(wanted, lowest), highest),
    )


def nice_rbw_hz(wanted_hz: float, limits: AnalyserLimits) -> float:
    """Return the widest filter at or under ``wanted_hz``: from the analyser's list, else in 1-3-10 steps."""
    low, high = limits.rbw_hz
    if limits.rbw_values_hz:
        return max((rbw for rbw in limits.rbw_values_hz if rbw <= wanted_hz * (1 + 1e-9)), default=low)
    decade = 10.0 ** math.floor(math.log10(wanted_hz) + 1e-9)
    step = 3.0 if wanted_hz >= 3.0 * decade * (1 - 1e-9) else 1.0
    return min(max(step * decade, low), high)


def narrow_sweep(
    centre_hz: float,
    *,
    rbw_hz: float,
    at: InputRange,
    limits: AnalyserLimits,
    samples: float = SAMPLES,
    span_rbw: float = NARROW_SPAN_RBW,
    sweep_time_at_least_s: float = 0.0,
) -> SweepSetup:
    """Return a sweep of ``span_rbw`` filter widths around a line, points a fifth of the filter apart or
    closer."""
    points = max(NARROW_POINTS, limits.points[0])
    span_hz = max(span_rbw * rbw_hz, limits.span_hz[0])
    return _setup(centre_hz, span_hz, points, rbw_hz, at, limits, samples, sweep_time_at_least_s)


def wide_sweep(
    low_hz: float, high_hz: float, *, rbw_hz: float, at: InputRange, limits: AnalyserLimits, samples: float
) -> SweepSetup:
    """Return a sweep from ``low_hz`` to ``high_hz`` with points at most half an RBW apart.

    The filter is widened in 1-3-10 steps where the analyser has too few points for it.
    """
    span_hz = high_hz - low_hz
    least_rbw_hz = 2 * span_hz / (limits.points[1] - 1)
    rbw = nice_rbw_hz(rbw_hz, limits)
    while rbw < least_rbw_hz and rbw < limits.rbw_hz[1]:
        rbw = nice_rbw_hz(rbw * 3.4, limits)
    points = max(math.ceil(2 * span_hz / rbw) + 1, limits.points[0])
    return _setup((low_hz + high_hz) / 2, span_hz, points, rbw, at, limits, samples, 0.0)


def _setup(
    centre_hz: float,
    span_hz: float,
    points: int,
    rbw_hz: float,
    at: InputRange,
    limits: AnalyserLimits,
    samples: float,
    at_least_s: float,
) -> SweepSetup:
    wanted_s = max(
        sweep_time_s(samples=samples, points=points, rbw_hz=rbw_hz),
        SLOW_SWEEP * span_hz / rbw_hz**2,
        at_least_s,
        limits.sweep_time_s[0],
    )
    time_s = min(wanted_s, limits.sweep_time_s[1])
    return SweepSetup(
        centre_hz=centre_hz,
        span_hz=span_hz,
        points=points,
        rbw_hz=rbw_hz,
        vbw_hz=None,
        detector="rms",
        average_type="power",
        averages=min(math.ceil(wanted_s / time_s - 1e-9), limits.averages[1]),
        sweep_time_s=time_s,
        attenuation_db=at.attenuation_db,
        reference_level_dbm=at.reference_level_dbm,
        preamplifier=False,
    )
