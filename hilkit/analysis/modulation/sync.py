"""Where a known frame begins in a capture, and how far its carrier is off."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from hilkit.analysis.modulation.grid import REFERENCE_SYMBOLS, KnownGrid
from hilkit.analysis.modulation.numerology import Numerology
from hilkit.errors import MeasurementError

__all__ = ["frame_start", "no_carrier", "prefix_offset_hz"]

Complex = NDArray[np.complex64]

PEAK_OVER_RMS = 7.0
"""What a correlation peak must reach: the highest of 10^6 values of noise lies 3.7 over their RMS, 7 happens
once in 10^21 values."""


def no_carrier(what: str) -> MeasurementError:
    """Return the error for a capture that does not hold the expected signal."""
    return MeasurementError(
        f"no carrier found: {what}",
        next_step="check that RF is on, that this waveform plays, centre, bandwidth, spacing and identity",
    )


def symbol_samples(numbers: Numerology, row: Complex) -> Complex:
    """Return the useful samples of one symbol, with the power of one subcarrier each 1."""
    bins = np.zeros(numbers.transform, dtype=np.complex64)
    half = numbers.subcarriers // 2
    bins[:half] = row[half:]
    bins[-half:] = row[:half]
    return np.asarray(np.fft.ifft(bins, norm="forward"), dtype=np.complex64)


def frame_start(samples: Complex, numbers: Numerology, grid: KnownGrid) -> int:
    """Return the first sample of a frame, 0 up to a frame's length.

    The first frame's length of the capture is taken as one turn of a circle, since a frame repeats, and
    correlated with two known symbols half a frame apart, so that a symbol cut in two does not matter.
    ``MeasurementError`` "no carrier found" where no peak stands out.
    """
    length = numbers.frame_samples
    if len(samples) < length:
        raise MeasurementError(
            f"a capture of {len(samples)} samples does not hold a frame of {length}",
            next_step="capture 10 ms or more; 11 ms hold every slot of a frame",
        )
    turn = np.fft.fft(samples[:length].astype(np.complex64, copy=False))
    score = np.zeros(length, dtype=np.float32)
    symbol = REFERENCE_SYMBOLS[0]
    for slot in (0, numbers.slots // 2):
        known = np.zeros(length, dtype=np.complex64)
        known[: numbers.transform] = symbol_samples(numbers, grid.symbols[slot, symbol])
        peak = np.fft.ifft(turn * np.conj(np.fft.fft(known)))
        score += np.roll(np.abs(peak) ** 2, -int(numbers.useful_starts[slot, symbol]))
    mean = float(score.mean(dtype=np.float64))
    if not (math.isfinite(mean) and mean > 0):
        raise no_carrier("the capture holds no power")
    if float(score.max()) < PEAK_OVER_RMS**2 * mean:
        over = math.sqrt(float(score.max()) / mean)
        raise no_carrier(
            f"the strongest likeness to the known frame stands {over:.1f} times over the rest, "
            f"and {PEAK_OVER_RMS:g} are needed"
        )
    return int(score.argmax())


def prefix_offset_hz(samples: Complex, numbers: Numerology, starts: NDArray[np.int64]) -> float:
    """Return how far the carrier is off in Hz, within half a subcarrier spacing.

    Each prefix repeats the end of its symbol, turned by the offset.

    ``starts`` are first useful samples of symbols that lie wholly within the capture.
    """
    back = np.arange(-numbers.prefix, 0)
    early = samples[starts[:, None] + back]
    late = samples[starts[:, None] + back + numbers.transform]
    turn = complex(np.vdot(early, late))
    return math.atan2(turn.imag, turn.real) / (2 * math.pi) * numbers.spacing_hz
