"""What a block of complex samples holds: lines, noise between them, offset, clipping.

Levels are in dBFS, where 0 dBFS is a complex line whose amplitude is full scale: its I and its Q each just
reach the end of the converter's range. A spectrum uses a flat-sided window with side lobes below -120 dB, so
that a strong line does not hide a weak one a few bins away.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.errors import MeasurementError

__all__ = ["SampleNoise", "clipped_share", "lines_dbfs", "noise_density", "offset_dbfs", "strongest_hz"]

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

KAISER_BETA = 18.0
"""Side lobes some 130 dB down; main lobe 5.8 bins to either side."""

GUARD_BINS = 8
"""Bins to either side of a line that hold its main lobe."""

LEAST_SAMPLES = 256


@dataclass(frozen=True, kw_only=True)
class SampleNoise:
    """Noise between the lines: density in full scale squared per Hz, and its relative standard deviation.

    ``peak_db`` is how far the highest value of the spectrum stands above the mean, ``peak_of_noise_db`` how
    far the highest of as many values of noise alone does in one block of 10 000 at most.
    """

    density: float
    relative_sd: float
    peak_db: float
    peak_of_noise_db: float

    @property
    def density_dbfs_hz(self) -> float:
        """The density in dBFS/Hz."""
        return 10 * math.log10(self.density)


def _checked(samples: Complex, rate_hz: float) -> Complex:
    samples = np.asarray(samples, dtype=np.complex128)
    if samples.ndim != 1 or samples.size < LEAST_SAMPLES:
        raise MeasurementError(
            f"a block of {samples.size} samples is too short; {LEAST_SAMPLES} or more are needed",
            next_step="ask for a longer block",
        )
    if not np.all(np.isfinite(samples)):
        raise MeasurementError("the block holds samples that are no numbers", next_step="capture it again")
    if not rate_hz > 0:
        raise ValueError(f"the sample rate is {rate_hz} Hz; it must be above 0")
    return samples


def clipped_share(samples: Complex, *, full_scale: float = 1.0) -> float:
    """Return the share of samples whose I or Q stands at the end of the converter's range."""
    top = full_scale * (1 - 1e-9)
    high = np.maximum(np.abs(np.real(samples)), np.abs(np.imag(samples)))
    return float(np.mean(high >= top))


def offset_dbfs(samples: Complex) -> float:
    """Return the level of the constant part of a block in dBFS, lowest -200."""
    return max(-200.0, 20 * math.log10(max(abs(complex(np.mean(samples))), 1e-12)))


def lines_dbfs(samples: Complex, rate_hz: float, offsets_hz: Sequence[float]) -> Floats:
    """Return the level in dBFS of a line at each offset from the centre, all fitted together.

    Least squares of all lines and of a constant at once, on windowed samples: no line counts into another,
    wherever it lies between bins. ``samples`` are complex, ``offsets_hz`` lie within half the sample rate and
    at least two bins apart, from each other and from the centre; ``MeasurementError`` where they do not.
    """
    samples = _checked(samples, rate_hz)
    count = samples.size
    wanted = np.asarray([0.0, *offsets_hz], dtype=np.float64)
    outside = [hz for hz in offsets_hz if not abs(hz) < rate_hz / 2]
    if outside:
        raise MeasurementError(
            f"an offset of {outside[0] / 1e6:g} MHz lies outside samples at {rate_hz / 1e6:g} MHz",
            next_step=f"stay within {rate_hz / 2e6:g} MHz to either side, or take a higher sample rate",
        )
    gaps = np.diff(np.sort(wanted))
    if gaps.size and gaps.min() < 2 * rate_hz / count:
        raise MeasurementError(
            f"two lines lie {gaps.min():g} Hz apart, and {count} samples resolve {2 * rate_hz / count:g} Hz",
            next_step="take a longer block, or move the lines apart",
        )
    window = np.kaiser(count, KAISER_BETA)
    turns = np.exp(2j * np.pi * np.outer(np.arange(count) / rate_hz, wanted))
    normal = turns.conj().T @ (window[:, None] * turns)
    amplitudes = np.linalg.solve(normal, turns.conj().T @ (window * samples))
    return np.asarray(20 * np.log10(np.maximum(np.abs(amplitudes[1:]), 1e-12)), dtype=np.float64)


def _power_spectrum(samples: Complex) -> tuple[Floats, Floats]:
    window = np.kaiser(samples.size, KAISER_BETA)
    return np.abs(np.fft.fft(samples * window)) ** 2, window


def _axis_hz(samples: Complex, rate_hz: float) -> Floats:
    return np.asarray(np.fft.fftfreq(samples.size, 1 / rate_hz), dtype=np.float64)


def _outside(frequency: Floats, bin_hz: float, offsets_hz: Sequence[float]) -> NDArray[np.bool_]:
    free = np.ones(frequency.size, dtype=bool)
    for hz in (0.0, *offsets_hz):
        free &= np.abs(frequency - hz) > GUARD_BINS * bin_hz
    return free


def noise_density(
    samples: Complex, rate_hz: float, *, band_hz: tuple[float, float], without_hz: Sequence[float] = ()
) -> SampleNoise:
    """Return the mean noise density between two offsets from the centre, lines and centre left out.

    The mean is taken over powers; the standard deviation follows from how many independent values a window
    of this shape leaves. ``MeasurementError`` where fewer than 16 bins remain.
    """
    samples = _checked(samples, rate_hz)
    power, window = _power_spectrum(samples)
    frequency = _axis_hz(samples, rate_hz)
    low, high = band_hz
    used = (frequency >= low) & (frequency <= high)
    used &= _outside(frequency, rate_hz / samples.size, without_hz)
    number = int(used.sum())
    if number < 16:
        raise MeasurementError(
            f"{number} values of the spectrum are left between {low / 1e6:g} and {high / 1e6:g} MHz; "
            "16 are needed",
            next_step="take a longer block or a wider band",
        )
    weight = float(np.sum(window**2))
    # Neighbouring bins of a windowed spectrum are not independent: their mean has the variance of fewer.
    spread = float(np.sum(np.abs(np.fft.fft(window**2)) ** 2)) / weight**2
    return SampleNoise(
        density=float(power[used].mean()) / (weight * rate_hz),
        relative_sd=math.sqrt(spread / number),
        peak_db=10 * math.log10(float(power[used].max() / power[used].mean())),
        # Powers of complex noise are exponential: P(highest of n > x means) = 1 - (1 - exp(-x))^n.
        peak_of_noise_db=10 * math.log10(math.log(number * 1e4)),
    )


def strongest_hz(samples: Complex, rate_hz: float, *, without_hz: Sequence[float] = ()) -> float:
    """Return the offset in Hz of the bin with the most power, the centre and ``without_hz`` left out."""
    samples = _checked(samples, rate_hz)
    power, _ = _power_spectrum(samples)
    frequency = _axis_hz(samples, rate_hz)
    free = _outside(frequency, rate_hz / samples.size, without_hz)
    return float(frequency[np.argmax(np.where(free, power, 0.0))])
