"""Statistics of the power of complex samples: crest factor, how often a level is passed, its course."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from hilkit.errors import MeasurementError

__all__ = ["ccdf", "ccdf_points_db", "gaussian_ccdf_point_db", "papr_db", "power_against_time"]

Complex = NDArray[np.complexfloating]
Floats = NDArray[np.float64]

BEYOND = 10
"""Samples that have to lie above a point of the CCDF before it says anything: a third of its probability."""


def _over_mean(samples: Complex) -> Floats:
    samples = np.asarray(samples)
    if samples.ndim != 1 or samples.size < 2:
        raise MeasurementError(
            f"a capture of {samples.size} samples has no statistics", next_step="capture more samples"
        )
    power = np.asarray(samples.real**2 + samples.imag**2, dtype=np.float64)
    mean = float(power.mean())
    if not (math.isfinite(mean) and mean > 0):
        raise MeasurementError("the capture holds no power", next_step="check that RF is on and the path")
    return power / mean


def papr_db(samples: Complex) -> float:
    """Return the highest power of all samples over their mean in dB; it grows with the capture."""
    return 10 * math.log10(float(_over_mean(samples).max()))


def ccdf(samples: Complex, levels_db: Sequence[float]) -> Floats:
    """Return the share of samples whose power lies more than each level, in dB, above the mean power."""
    over = np.sort(_over_mean(samples))
    bounds = 10 ** (np.asarray(levels_db, dtype=np.float64) / 10)
    return np.asarray(1 - np.searchsorted(over, bounds, side="right") / over.size, dtype=np.float64)


def ccdf_points_db(samples: Complex, probabilities: Sequence[float]) -> Floats:
    """Return the level in dB over the mean that is passed with each probability (0 to 1, both excluded).

    ``MeasurementError`` where fewer than ten samples lie above a point: it would be chance.
    """
    if any(not 0 < each < 1 for each in probabilities):
        raise ValueError(f"probabilities lie between 0 and 1, not {list(probabilities)}")
    over = _over_mean(samples)
    rarest = min(probabilities, default=1.0)
    if over.size * rarest < BEYOND:
        raise MeasurementError(
            f"{over.size} samples do not tell a level that is passed with a probability of {rarest:g}",
            next_step=f"capture {math.ceil(BEYOND / rarest)} samples or more, or leave the point out",
        )
    return np.asarray(10 * np.log10(np.quantile(over, 1 - np.asarray(probabilities))), dtype=np.float64)


def gaussian_ccdf_point_db(probability: float) -> float:
    """Return the level in dB over the mean that complex Gaussian noise passes with this probability.

    Its power is distributed exponentially: P(power > x times the mean) = exp(-x).
    """
    return 10 * math.log10(-math.log(probability))


def power_against_time(samples: Complex, *, rate_hz: float, bin_s: float) -> tuple[Floats, Floats]:
    """Return the middle in s and the mean power of each stretch of ``bin_s``, in samples squared.

    The last samples that fill no whole stretch are left out; ``MeasurementError`` where there is none.
    """
    each = max(1, round(bin_s * rate_hz))
    count = len(samples) // each
    if not count:
        raise MeasurementError(
            f"{len(samples)} samples are shorter than one stretch of {each}",
            next_step="take a longer capture",
        )
    parts = np.asarray(samples)[: count * each].reshape(count, each)
    power = np.mean(parts.real**2 + parts.imag**2, axis=1, dtype=np.float64)
    middle_s = np.asarray((np.arange(count) + 0.5) * each / rate_hz, dtype=np.float64)
    return middle_s, np.asarray(power, dtype=np.float64)
