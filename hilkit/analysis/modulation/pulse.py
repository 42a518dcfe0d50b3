"""The root-raised-cosine pulse of single-carrier modulation (TS 25.104, 6.8.1 for its form)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["root_raised_cosine", "root_raised_cosine_response"]

Floats = NDArray[np.float64]


def root_raised_cosine_response(frequency_hz: Floats, *, symbol_rate_hz: float, roll_off: float) -> Floats:
    """Return the response: 1 in the flat part, 1/sqrt(2) at half the symbol rate, 0 outside.

    Its square is a raised cosine, so that its noise bandwidth is exactly the symbol rate.
    """
    _check(symbol_rate_hz, roll_off)
    far = np.abs(np.asarray(frequency_hz, dtype=np.float64)) / symbol_rate_hz
    if roll_off == 0:
        return np.asarray((far <= 0.5).astype(np.float64))
    part = np.clip((far - (1 - roll_off) / 2) / roll_off, 0.0, 1.0)
    return np.asarray(np.cos(np.pi / 2 * part), dtype=np.float64)


def root_raised_cosine(*, samples_per_symbol: int, roll_off: float, span_symbols: int) -> Floats:
    """Return the taps of the pulse, of unit energy, over ``span_symbols`` symbols to either side."""
    _check(samples_per_symbol, roll_off)
    time = np.arange(-span_symbols * samples_per_symbol, span_symbols * samples_per_symbol + 1)
    t = time / samples_per_symbol
    with np.errstate(divide="ignore", invalid="ignore"):
        top = np.sin(np.pi * t * (1 - roll_off)) + 4 * roll_off * t * np.cos(np.pi * t * (1 + roll_off))
        taps = top / (np.pi * t * (1 - (4 * roll_off * t) ** 2))
    taps[t == 0] = 1 - roll_off + 4 * roll_off / np.pi
    if roll_off:
        corner = np.isclose(np.abs(t), 1 / (4 * roll_off))
        angle = np.pi / (4 * roll_off)
        taps[corner] = (
            roll_off / np.sqrt(2) * ((1 + 2 / np.pi) * np.sin(angle) + (1 - 2 / np.pi) * np.cos(angle))
        )
    return np.asarray(taps / np.sqrt(np.sum(taps**2)), dtype=np.float64)


def _check(rate: float, roll_off: float) -> None:
    if not rate > 0:
        raise ValueError(f"a rate of {rate} is none; it must be above 0")
    if not 0 <= roll_off <= 1:
        raise ValueError(f"a roll-off of {roll_off} is none; it lies between 0 and 1")
