"""How wide a signal is: the bandwidth that holds a part of its power, and the one between two levels.

Occupied bandwidth (ITU-R SM.328, and so 3GPP TS 38.104, clause 6.6.2): below its lower and above its upper
limit the mean powers are each a percentage beta/2 of the total mean power; beta/2 is 0.5 % unless something
else is said, which makes it the 99 % bandwidth. x dB bandwidth (ITU-R SM.328): beyond its limits everything
lies at least x dB under a reference, here the highest density of the signal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hilkit.analysis.averages import DB_PER_NEPER
from hilkit.errors import MeasurementError
from hilkit.readings import Trace

__all__ = ["OUTSIDE", "Occupied", "occupied_bandwidth", "x_db_bandwidth"]

Array = NDArray[np.float64]

OUTSIDE = 0.005
"""Part of the power that lies outside on each side."""

_BLOCK = 1024

LEAST_OVER_FLOOR = 2.0
"""Power of signal and floor in the span over that of the floor, under which there is no carrier to measure
(common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Occupied:
    """Where a bandwidth begins and ends in Hz, with the statistical standard deviation of its width."""

    low_hz: float
    high_hz: float
    sd_hz: float

    @property
    def width_hz(self) -> float:
        """The bandwidth."""
        return self.high_hz - self.low_hz

    @property
    def centre_hz(self) -> float:
        """The middle between both limits."""
        return (self.high_hz + self.low_hz) / 2


def occupied_bandwidth(
    trace: Trace, *, outside: float = OUTSIDE, correction_db: ArrayLike = 0.0, floor: Trace | None = None
) -> Occupied:
    """Return the bandwidth with the part ``outside`` of the power on each side of it.

    The power of a point is spread evenly over its cell of one spacing. ``correction_db`` (one value or one
    per point) is the path loss; ``floor``, a trace of the same settings without the signal, is subtracted as
    power. ``MeasurementError`` where hardly anything stands above the floor.
    """
    signal, noisy = _powers(trace, correction_db, floor)
    total = float(signal.sum())
    if floor is not None and total < (LEAST_OVER_FLOOR - 1) / 2 * float(noisy.sum() - total):
        raise _nothing(trace)
    wanted = outside * total
    # From outside inwards, since what is left of the noise lets the sums rise and fall there.
    first, over_first = _reached(signal, wanted)
    last, over_last = _reached(signal[::-1], wanted)
    last = len(signal) - 1 - last
    spacing = trace.spacing_hz
    low = trace.frequency_hz[first] + spacing * (0.5 - over_first / signal[first])
    high = trace.frequency_hz[last] - spacing * (0.5 - over_last / signal[last])
    sd_hz = spacing * _sd_points(noisy, signal, (first, last), outside) / math.sqrt(trace.samples_per_point)
    return Occupied(low_hz=float(low), high_hz=float(high), sd_hz=sd_hz)


def x_db_bandwidth(
    trace: Trace, *, x_db: float, correction_db: ArrayLike = 0.0, floor: Trace | None = None
) -> Occupied:
    """Return the outermost places where the signal is ``x_db`` under its highest point, between two points by
    their levels. ``MeasurementError`` where the trace ends before that, or the floor lies too high.

    The scatter of the two places follows from that of the levels and from how steep the signal is there.
    """
    if not x_db > 0:
        raise ValueError(f"x is {x_db} dB; it must be above 0")
    signal, noisy = _powers(trace, correction_db, floor)
    limit = float(signal.max()) * 10 ** (-x_db / 10)
    # Two more standard deviations of what the floor left behind would cross the limit by chance.
    left_over = (noisy - signal) / math.sqrt(trace.samples_per_point)
    if 4 * float(left_over.max()) > limit:
        raise MeasurementError(
            f"the floor hides what lies {x_db:g} dB down around {trace.frequency_hz.mean() / 1e6:.3f} MHz",
            next_step="ask for fewer dB, or lower the attenuation in front of the analyser",
        )
    above = np.flatnonzero(signal >= limit)
    first, last = int(above[0]), int(above[-1])
    if first == 0 or last == len(signal) - 1:
        raise MeasurementError(
            f"the signal does not fall {x_db:g} dB inside {trace.frequency_hz[0] / 1e6:.3f}.."
            f"{trace.frequency_hz[-1] / 1e6:.3f} MHz",
            next_step="sweep a wider span",
        )
    low, low_sd = _crossing(trace, signal, noisy, first - 1, limit)
    high, high_sd = _crossing(trace, signal, noisy, last, limit)
    return Occupied(low_hz=low, high_hz=high, sd_hz=math.hypot(low_sd, high_sd))


def _powers(trace: Trace, correction_db: ArrayLike, floor: Trace | None) -> tuple[Array, Array]:
    """Return the power of the signal at each point, and what it was taken out of: both in mW."""
    noisy = _mw(trace.level_dbm, correction_db)
    if floor is None:
        return noisy, noisy
    if len(floor.level_dbm) != len(trace.level_dbm) or floor.rbw_hz != trace.rbw_hz:
        raise ValueError("the floor trace was not taken with the settings of the trace")
    under = _mw(floor.level_dbm, correction_db)
    return noisy - under, noisy + under


def _mw(level_dbm: Array, correction_db: ArrayLike) -> Array:
    power = level_dbm * (1 / DB_PER_NEPER)
    if np.any(correction_db):
        power += np.asarray(correction_db, dtype=float) / DB_PER_NEPER
    return np.asarray(np.exp(power, out=power), dtype=float)


def _reached(powers: Array, wanted: float) -> tuple[int, float]:
    """Return the first point with which the sum of powers reaches ``wanted``, and by how much it exceeds it.

    Sums of blocks first: of a million points only two blocks are looked at one by one.
    """
    whole = len(powers) // _BLOCK * _BLOCK
    blocks = np.cumsum(powers[:whole].reshape(-1, _BLOCK).sum(axis=1))
    full = int(np.argmax(blocks >= wanted)) if len(blocks) and blocks.max() >= wanted else len(blocks)
    before = float(blocks[full - 1]) if full else 0.0
    start = full * _BLOCK
    sums = before + np.cumsum(powers[start : start + 2 * _BLOCK])
    index = int(np.argmax(sums >= wanted))
    return start + index, float(sums[index]) - wanted


def _sd_points(noisy: Array, signal: Array, ends: tuple[int, int], outside: float) -> float:
    """Standard deviation of the width in points, for one sample a point.

    A limit moves by the error of the power outside it, less its share of the error of the total, over the
    power of a point there.
    """
    first, last = ends
    below, within, above = (
        float(np.dot(part, part)) for part in (noisy[:first], noisy[first : last + 1], noisy[last + 1 :])
    )
    low, high = 1 / signal[first], 1 / signal[last]
    share = outside * (low + high)
    variance = (low - share) ** 2 * below + (high - share) ** 2 * above + share**2 * within
    return math.sqrt(variance)


def _crossing(trace: Trace, signal: Array, noisy: Array, index: int, limit: float) -> tuple[float, float]:
    left, right = signal[index], signal[index + 1]
    least = limit * 1e-3  # what the floor took away altogether has no level
    low, high = (DB_PER_NEPER * math.log(max(value, least)) for value in (left, right))
    at = (DB_PER_NEPER * math.log(limit) - low) / (high - low)
    # The highest of many points lies some three standard deviations over their mean, and the limit with it.
    spread = DB_PER_NEPER * math.hypot(float(max(noisy[index], noisy[index + 1])) / limit, 3.0)
    sd_db = spread / math.sqrt(trace.samples_per_point)
    spacing = trace.spacing_hz
    return float(trace.frequency_hz[index] + at * spacing), sd_db * spacing / abs(high - low)


def _nothing(trace: Trace) -> MeasurementError:
    return MeasurementError(
        f"no carrier found between {trace.frequency_hz[0] / 1e6:.3f} and "
        f"{trace.frequency_hz[-1] / 1e6:.3f} MHz: hardly anything stands above the floor",
        next_step="check that the channel transmits, or lower the attenuation in front of the analyser",
    )
