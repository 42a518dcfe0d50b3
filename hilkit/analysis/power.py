"""Powers, their sums, and the power in a band of a swept trace.

Sums and means are taken in watts: the mean of decibels is not the decibel of the mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hilkit.analysis.averages import DB_PER_NEPER
from hilkit.errors import MeasurementError
from hilkit.readings import Trace

__all__ = ["BandPower", "band_power", "dbm_to_w", "density_dbm_hz", "power_sum_dbm", "w_to_dbm"]

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
    weights = _cell_weights(trace, low_hz, high_hz)
    gain = 10 ** (np.broadcast_to(np.asarray(correction_db, dtype=float), weights.shape) / 10)
    power = dbm_to_w(trace.level_dbm) * gain
    variance = (power**2) / trace.samples_per_point
    if floor is not None:
        if len(floor.level_dbm) != len(power) or floor.rbw_hz != trace.rbw_hz:
            raise ValueError("the floor trace was not taken with the settings of the trace")
        floor_power = dbm_to_w(floor.level_dbm) * gain
        variance = variance + (floor_power**2) / floor.samples_per_point
        power = power - floor_power
    total = float(np.sum(weights * power)) * trace.spacing_hz / trace.noise_bandwidth_hz
    if total <= 0:
        raise MeasurementError(
            f"no power above the floor between {low_hz / 1e6:.3f} and {high_hz / 1e6:.3f} MHz",
            next_step="check that the channel transmits, or lower the attenuation in front of the analyser",
        )
    sd_w = float(np.sqrt(np.sum(weights**2 * variance))) * trace.spacing_hz / trace.noise_bandwidth_hz
    return BandPower(
        level_dbm=float(w_to_dbm(total)), sd_db=DB_PER_NEPER * sd_w / total, bandwidth_hz=high_hz - low_hz
    )


def _cell_weights(trace: Trace, low_hz: float, high_hz: float) -> Array:
    """Return for each point the part (0..1) of its cell that lies in the band."""
    spacing = trace.spacing_hz
    lower, upper = trace.frequency_hz - spacing / 2, trace.frequency_hz + spacing / 2
    if not low_hz < high_hz:
        raise ValueError(f"the band runs from {low_hz} to {high_hz} Hz; the second must be above the first")
    if low_hz < lower[0] or high_hz > upper[-1]:
        raise MeasurementError(
            f"the band {low_hz / 1e6:.3f}..{high_hz / 1e6:.3f} MHz is not inside the trace "
            f"{lower[0] / 1e6:.3f}..{upper[-1] / 1e6:.3f} MHz",
            next_step="sweep a wider span",
        )
    if spacing > trace.noise_bandwidth_hz:
        raise MeasurementError(
            f"points {spacing:.0f} Hz apart leave gaps between noise bandwidths of "
            f"{trace.noise_bandwidth_hz:.0f} Hz",
            next_step="take more points or a wider resolution filter",
        )
    inside = np.minimum(upper, high_hz) - np.maximum(lower, low_hz)
    return np.asarray(np.clip(inside / spacing, 0.0, 1.0), dtype=float)
