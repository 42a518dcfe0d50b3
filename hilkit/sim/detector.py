"""Detector and averaging: what Gaussian noise behind the filter, with a steady line in it, reads as.

In the time T of one point, a Gaussian filter of -3 dB width B gives K = 1.505 B T independent samples of the
envelope: the inverse of the integral of the squared normalised correlation, which is exp(-(pi B t)^2 / (4 ln
2)).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.sim.noise import white

__all__ = ["Dwell", "detect"]

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

MOST_SAMPLES = 64
"""Samples of one point that are drawn one by one; more than these are drawn in blocks."""


@dataclass(frozen=True, kw_only=True)
class Dwell:
    """How long the filter of ``bandwidth_hz`` looks at one point, and how often."""

    bandwidth_hz: float
    point_s: float
    sweeps: int = 1
    video_hz: float | None = None

    @property
    def samples(self) -> float:
        """Independent samples within one point of one sweep, at least one."""
        return max(1.0, 1.505 * self.bandwidth_hz * self.point_s)

    @property
    def video_samples(self) -> float:
        """Independent samples that a narrow video filter averages: those within 1/(pi x VBW), its averaging
        time.
        """
        if self.video_hz is None or self.video_hz >= 3 * self.bandwidth_hz:
            return 1.0
        return max(1.0, 1.505 * self.bandwidth_hz / (math.pi * self.video_hz))

    def kernel(self) -> Floats | None:
        """Weights that give neighbouring points the filter's correlation; ``None`` where they are
        independent.
        """
        per_point = (math.pi * self.bandwidth_hz * self.point_s) ** 2 / (4 * math.log(2))
        if per_point > 4.6:
            return None
        side = min(500, math.ceil(math.sqrt(7 / max(per_point, 1e-9))))
        weights = np.exp(-2 * per_point * np.arange(-side, side + 1) ** 2)
        return np.asarray(weights / math.sqrt(float(np.sum(weights**2))), dtype=np.float64)


def detect(
    signal: Floats, noise: Floats, dwell: Dwell, detector: str, average: str, rng: np.random.Generator
) -> Floats:
    """Return the power read at each point, in W.

    ``signal`` is the steady power and ``noise`` the mean noise power behind the filter. ``detector`` is rms,
    sample, peak or negative; ``average`` is power, log, voltage or none, over the sweeps of ``dwell``.
    """
    steady = np.sqrt(signal)
    if detector == "rms" and average in ("power", "none"):
        count = max(dwell.samples, dwell.video_samples)
        if count > 1 or dwell.kernel() is None:
            return _mean_power(steady, noise, count * dwell.sweeps, None, rng)
    readings = (_one_sweep(steady, noise, dwell, detector, average, rng) for _ in range(dwell.sweeps))
    return _average(readings, dwell.sweeps, average)


def _mean_power(
    steady: Floats, noise: Floats, count: float, kernel: Floats | None, rng: np.random.Generator
) -> Floats:
    """Mean of ``count`` samples of |steady + noise|^2, exact without drawing each.

    The mean noise vector is Gaussian with the power noise/count; the rest of the noise power has count - 1
    degrees of freedom and is independent of it (Cochran's theorem).
    """
    points = len(steady)
    mean = _correlated(rng, points, kernel)
    mean *= np.sqrt(noise / count)
    mean += steady
    power = mean.real**2 + mean.imag**2
    if count > 1:
        power += rng.standard_gamma(count - 1, points) * (noise / count)
    return np.asarray(power, dtype=np.float64)


def _correlated(rng: np.random.Generator, points: int, kernel: Floats | None) -> Complex:
    if kernel is None:
        return white(rng, points)
    longer = white(rng, points + len(kernel) - 1)
    return np.asarray(np.convolve(longer, kernel, mode="valid"), dtype=np.complex128)


def _one_sweep(
    steady: Floats, noise: Floats, dwell: Dwell, detector: str, average: str, rng: np.random.Generator
) -> Floats:
    """One sweep in power units, the video filter applied on the scale of the average type."""
    points = len(steady)
    if detector == "rms":
        return _mean_power(steady, noise, dwell.samples, dwell.kernel() if dwell.samples == 1 else None, rng)
    if detector == "sample":
        draws = round(dwell.video_samples)
        samples = (
            np.abs(steady + np.sqrt(noise) * _correlated(rng, points, dwell.kernel())) ** 2
            for _ in range(draws)
        )
        return _average(samples, draws, average)
    samples_kept = _block_samples(steady, noise, dwell.samples, rng)
    return np.asarray(
        samples_kept.max(axis=0) if detector == "peak" else samples_kept.min(axis=0), dtype=np.float64
    )


def _block_samples(steady: Floats, noise: Floats, count: float, rng: np.random.Generator) -> Floats:
    """Powers of samples, shape (n, points); above ``MOST_SAMPLES`` each stands for the largest of a block.

    The largest of m exponential powers is drawn by inverting its distribution; its direction is random.
    """
    number = min(MOST_SAMPLES, round(count))
    block = max(1.0, count / number)
    largest = -np.log1p(-(rng.random((number, len(steady))) ** (1 / block)))
    turn = np.exp(2j * np.pi * rng.random((number, len(steady))))
    return np.asarray(np.abs(steady + np.sqrt(noise * largest) * turn) ** 2, dtype=np.float64)


def _average(readings: Iterator[Floats], count: int, average: str) -> Floats:
    """Mean of powers on the scale of the average type, given back as a power; ``none`` keeps the last."""
    total: Floats | float = 0.0
    for reading in readings:
        if average == "log":
            total = total + np.log(np.maximum(reading, 1e-300))
        elif average == "voltage":
            total = total + np.sqrt(reading)
        elif average == "power":
            total = total + reading
        else:
            total = reading * count
    mean = np.asarray(total, dtype=np.float64) / count
    if average == "log":
        return np.exp(mean)
    return mean**2 if average == "voltage" else mean
