"""Noise floors: from a trace that also holds lines, and from temperature.

What a reading of Gaussian noise shows depends on what is averaged (Spectrum Analysis Basics, Application Note
150, pp. 66-68): its power with an RMS detector or power average; 1.05 dB less with an average of voltage;
2.51 dB less with an average of decibels. The difference holds for noise alone and fades near a line, so it is
never added to one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.analysis.averages import noise_sd_db
from hilkit.errors import MeasurementError
from hilkit.readings import Trace

__all__ = ["AVERAGING_BIAS_DB", "BOLTZMANN_J_K", "Floor", "noise_floor", "thermal_noise_dbm"]

BOLTZMANN_J_K = 1.380649e-23
"""Exact by definition of the SI."""

AVERAGING_BIAS_DB = {
    "power": 0.0,
    "none": 0.0,
    "voltage": 10 * math.log10(math.pi / 4),
    "log": -10 * float(np.euler_gamma) / math.log(10),
}
"""What the average of Gaussian noise reads above its power, in dB, by average type."""


@dataclass(frozen=True, kw_only=True)
class Floor:
    """The noise floor of a trace: ``level_dbm`` in the resolution bandwidth, ``density_dbm_hz``, and the
    scatter."""

    level_dbm: float
    density_dbm_hz: float
    sd_db: float
    points: int


def thermal_noise_dbm(bandwidth_hz: float, temperature_k: float = 290.0) -> float:
    """Return k T B in dBm; T0 = 290 K unless another temperature is given."""
    return 10 * math.log10(BOLTZMANN_J_K * temperature_k * bandwidth_hz * 1e3)


def noise_floor(trace: Trace) -> Floor:
    """Estimate the mean noise power of ``trace``, lines left out.

    Points that stand out of the noise are removed step by step; the median of the rest, divided by what the
    median of so many averaged powers is of their mean, is the floor. ``MeasurementError`` if lines fill more
    than half of the trace. The bias of the average type is taken out.
    """
    bias_db = AVERAGING_BIAS_DB[trace.average_type]
    samples = trace.samples_per_point
    ratio = _median_over_mean(samples) if bias_db == 0.0 else 1.0
    power = np.asarray(10 ** ((trace.level_dbm - bias_db) / 10), dtype=float)
    kept = _without_lines(power, samples=samples, ratio=ratio)
    if len(kept) < len(power) / 2:
        raise MeasurementError(
            f"lines fill more than half of the trace around {trace.frequency_hz.mean() / 1e6:.3f} MHz: no "
            "floor visible",
            next_step="sweep a wider span or a narrower resolution filter",
        )
    level = 10 * math.log10(float(np.median(kept)) / ratio)
    return Floor(
        level_dbm=level,
        density_dbm_hz=level - 10 * math.log10(trace.noise_bandwidth_hz),
        # A median scatters by sqrt(pi/2) more than a mean.
        sd_db=noise_sd_db(samples * len(kept)) * math.sqrt(math.pi / 2),
        points=len(kept),
    )


def _without_lines(power: NDArray[np.float64], *, samples: float, ratio: float) -> NDArray[np.float64]:
    """Drop points above the level that noise of ``samples`` averages passes about once in 100 000 points."""
    quantile = (1 + 4.3 / (3 * math.sqrt(samples))) ** 3  # Wilson-Hilferty at 4.3 standard deviations
    kept = power
    while True:
        limit = float(np.median(kept)) / ratio * quantile
        fewer = kept[kept <= limit]
        if len(fewer) == len(kept) or len(fewer) < len(power) / 2:
            return fewer
        kept = fewer


def _median_over_mean(samples: float) -> float:
    """Return median over mean of a mean of ``samples`` exponential powers (a gamma law).

    K. P. Choi, On the medians of gamma distributions, Proc. Amer. Math. Soc. 121 (1994) 245, expansion for
    shape K.
    """
    k = samples
    return (k - 1 / 3 + 8 / (405 * k) + 184 / (25515 * k**2)) / k
