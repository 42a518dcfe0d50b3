"""Waveforms made without the code under test: symbols by the inverse transform of numpy, prefixes by hand."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hilkit.analysis.modulation import KnownGrid, Numerology

Complex = NDArray[np.complex128]

__all__ = ["noise", "ofdm", "qam"]


def noise(count: int, *, seed: int) -> Complex:
    """Complex Gaussian samples of unit mean power."""
    random = np.random.default_rng(seed)
    parts = random.standard_normal((2, count)) / np.sqrt(2)
    return np.asarray(parts[0] + 1j * parts[1], dtype=np.complex128)


def ofdm(numbers: Numerology, grid: KnownGrid) -> Complex:
    """One frame of unit mean power; the prefix longer by 16 of 2048 samples of 15 kHz each half ms."""
    size, middle = numbers.transform, numbers.subcarriers // 2
    samples: list[Complex] = []
    long_every = 7 * numbers.slots // 10
    for number, row in enumerate(grid.symbols.reshape(-1, numbers.subcarriers)):
        bins = np.zeros(size, dtype=np.complex128)
        bins[(np.arange(numbers.subcarriers) - middle) % size] = row
        useful = np.fft.ifft(bins)
        prefix = 144 * size // 2048
        if number % long_every == 0:
            prefix += round(16 / 30.72e6 * numbers.rate_hz)
        samples += [useful[-prefix:], useful]
    frame = np.concatenate(samples)
    return np.asarray(frame / np.sqrt(np.mean(np.abs(frame) ** 2)), dtype=np.complex128)


def qam(symbols: Complex, *, samples_per_symbol: int, roll_off: float) -> Complex:
    """Pulses of a root-raised cosine, made in frequency as the root of a raised cosine."""
    count = len(symbols) * samples_per_symbol
    comb = np.zeros(count, dtype=np.complex128)
    comb[::samples_per_symbol] = symbols
    far = np.abs(np.fft.fftfreq(count, 1 / samples_per_symbol))
    raised = np.where(
        far < (1 - roll_off) / 2, 1.0, 0.5 * (1 + np.cos(np.pi / roll_off * (far - (1 - roll_off) / 2)))
    )
    raised[far > (1 + roll_off) / 2] = 0.0
    shaped = np.fft.ifft(np.fft.fft(comb) * np.sqrt(raised)) * np.sqrt(samples_per_symbol)
    return np.asarray(shaped, dtype=np.complex128)
