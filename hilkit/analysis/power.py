"""Powers, their sums, and the power in a band of a swept trace.

Sums and means are taken in watts: the mean of decibels is not the decibel of the mean.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hilkit.analysis.averages import DB_PER_NEPER
from hilkit.errors import MeasurementError
from hilkit.readings import Trace

__all__ = [
    "BandPower",
    "band_power",
    "dbm_to_w",
    "density_dbm_hz",
    "points_between",
    "power_sum_dbm",
    "w_to_dbm",
    "weighted_power",
]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class BandPower:
    """Power in a band: ``level_dbm``, its statistical standard deviation ``sd_db``, and ``bandwidth_hz``."""

    level_dbm: float
    sd_db: float
    bandwidth_hz: float

    @property
    def density_dbm_hz(self) -> float:
        """Mean density over the band in dBm/Hz."""
        return density_dbm_hz(self.level_dbm, self.bandwidth_hz)


def dbm_to_w(level_dbm: ArrayLike) -> Array:
    """Return watts."""
    return np.asarray(10 ** (np.asarray(level_dbm, dtype=float) / 10) * 1e-3, dtype=float)


def w_to_dbm(power_w: ArrayLike) -> Array:
    """Return dBm; ``ValueError`` for a power at or under zero."""
    power = np.asarray(power_w, dtype=float)
    if np.any(power <= 0):
        raise ValueError("a power at or under 0 W has no level in dBm")
    return np.asarray(10 * np.log10(power * 1e3), dtype=float)


def power_sum_dbm(levels_dbm: Sequence[float]) -> float:
    """Return the level of the sum of the powers."""
    return float(w_to_dbm(np.sum(dbm_to_w(levels_dbm))))


def density_dbm_hz(level_dbm: float, bandwidth_hz: float) -> float:
    """Return the density in dBm/Hz of a power spread evenly over ``bandwidth_hz``."""
    if not bandwidth_hz > 0:
        raise ValueError(f"the bandwidth is {bandwidth_hz} Hz; it must be above 0")
    return level_dbm - 10 * float(np.log10(bandwidth_hz))


def band_power(
    trace: Trace,
    *,
    low_hz: float,
    high_hz: float,
    correction_db: ArrayLike = 0.0,
    floor: Trace | None = None,
) -> BandPower:
    """Integrate the power of ``trace`` from ``low_hz`` to ``high_hz``.

    Each point stands for the cell of one spacing around it; the cells at the edges count with the part that
    lies in the band. The sum is scaled by spacing over the noise bandwidth of the resolution filter.
    ``correction_db`` (one value or one per point) is added to the levels first: the path loss. ``floor``, a
    trace of the same settings without the signal, is subtracted as power. ``MeasurementError`` if the band is
    not inside the trace, the points are further apart than the noise bandwidth, or nothing is left above the
    floor.
    """
    inside, weights = _cell_weights(trace, low_hz, high_hz)
    return weighted_power(
        trace, inside, weights, bandwidth_hz=high_hz - low_hz, correction_db=correction_db, floor=floor
    )


def weighted_power(
    trace: Trace,
    inside: slice,
    weights: Array | tuple[float, float],
    *,
    bandwidth_hz: float,
    correction_db: ArrayLike = 0.0,
    floor: Trace | None = None,
) -> BandPower:
    """Return the power behind a filter that passes ``weights`` (0..1) of the power at the points ``inside``.

    Two weights are those of the first and the last point of a filter that passes all that lies between.
    ``bandwidth_hz`` is the filter's noise bandwidth; the rest as for :func:`band_power`.
    """
    correction = np.asarray(correction_db, dtype=float)
    gain = correction[inside] if correction.ndim else correction
    power = _weighted_mw(trace.level_dbm[inside], gain, weights)
    scatter = float(np.dot(power, power)) / trace.samples_per_point
    total_mw = float(power.sum())
    if floor is not None:
        if len(floor.level_dbm) != len(trace.level_dbm) or floor.rbw_hz != trace.rbw_hz:
            raise ValueError("the floor trace was not taken with the settings of the trace")
        under = _weighted_mw(floor.level_dbm[inside], gain, weights)
        scatter += float(np.dot(under, under)) / floor.samples_per_point
        total_mw -= float(under.sum())
    cell = trace.spacing_hz / trace.noise_bandwidth_hz
    if total_mw <= 0:
        low_hz, high_hz = trace.frequency_hz[inside][[0, -1]]
        raise MeasurementError(
            f"no power above the floor between {low_hz / 1e6:.3f} and {high_hz / 1e6:.3f} MHz",
            next_step="check that the channel transmits, or lower the attenuation in front of the analyser",
        )
    return BandPower(
        level_dbm=DB_PER_NEPER * math.log(total_mw * cell),
        sd_db=DB_PER_NEPER * math.sqrt(scatter) / total_mw,
        bandwidth_hz=bandwidth_hz,
    )


def _weighted_mw(level_dbm: Array, gain_db: Array, weights: Array | tuple[float, float]) -> Array:
    """Milliwatts of many levels: an exponential in place takes a fraction of the time of a power of ten."""
    power = level_dbm * (1 / DB_PER_NEPER)
    if np.any(gain_db):
        power += gain_db * (1 / DB_PER_NEPER)
    np.exp(power, out=power)
    if isinstance(weights, tuple):
        power[0] *= weights[0]
        power[-1] *= weights[1]
    else:
        power *= weights
    return np.asarray(power, dtype=float)


def _cell_weights(trace: Trace, low_hz: float, high_hz: float) -> tuple[slice, tuple[float, float]]:
    """Return which points have a part of their cell in the band, and that part (0..1) of the outermost two.

    All others lie in the band altogether.
    """
    spacing = trace.spacing_hz
    if not low_hz < high_hz:
        raise ValueError(f"the band runs from {low_hz} to {high_hz} Hz; the second must be above the first")
    inside = points_between(trace, low_hz, high_hz)
    first, last = (float(hz) for hz in trace.frequency_hz[inside][[0, -1]])
    below = max(low_hz - (first - spacing / 2), 0.0) / spacing
    above = max(last + spacing / 2 - high_hz, 0.0) / spacing
    if first == last:
        return inside, (max(1 - below - above, 0.0), 1.0)
    return inside, (1 - below, 1 - above)


def points_between(trace: Trace, low_hz: float, high_hz: float) -> slice:
    """Return the points whose cell of one spacing reaches into the band.

    ``MeasurementError`` if the band is not inside the trace, or the points are further apart than the noise
    bandwidth of the filter.
    """
    spacing = trace.spacing_hz
    first, last = trace.frequency_hz[0] - spacing / 2, trace.frequency_hz[-1] + spacing / 2
    if low_hz < first or high_hz > last:
        raise MeasurementError(
            f"the band {low_hz / 1e6:.3f}..{high_hz / 1e6:.3f} MHz is not inside the trace "
            f"{first / 1e6:.3f}..{last / 1e6:.3f} MHz",
            next_step="sweep a wider span",
        )
    if spacing > trace.noise_bandwidth_hz:
        raise MeasurementError(
            f"points {spacing:.0f} Hz apart leave gaps between noise bandwidths of "
            f"{trace.noise_bandwidth_hz:.0f} Hz",
            next_step="take more points or a wider resolution filter",
        )
    low = int(np.searchsorted(trace.frequency_hz, low_hz - spacing / 2, side="right"))
    high = int(np.searchsorted(trace.frequency_hz, high_hz + spacing / 2, side="left"))
    return slice(min(low, high - 1), high)
