"""Gain flatness over frequency: the spread of levels that should be equal, and the straight part of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["Flatness", "flatness"]


@dataclass(frozen=True, kw_only=True)
class Flatness:
    """``spread_db`` is the highest less the lowest level, at the places ``highest`` and ``lowest``.

    ``tilt_db`` is what the least-squares line rises from the first to the last frequency.
    """

    spread_db: float
    highest: int
    lowest: int
    tilt_db: float


def flatness(frequency_hz: Sequence[float], level_db: Sequence[float]) -> Flatness:
    """Return the flatness of levels in dB over rising frequencies in Hz, two or more of each.

    Peak to peak, as data sheets state it, half of it being the +- figure (common practice, no source).
    """
    frequency, level = np.asarray(frequency_hz, dtype=float), np.asarray(level_db, dtype=float)
    if frequency.shape != level.shape or frequency.ndim != 1 or frequency.size < 2:
        raise ValueError(
            f"{frequency.size} frequencies and {level.size} levels: two or more of each are needed"
        )
    if np.any(np.diff(frequency) <= 0):
        raise ValueError("the frequencies do not rise")
    highest, lowest = int(level.argmax()), int(level.argmin())
    spread = frequency - frequency.mean()
    slope = float(spread @ level / (spread @ spread))
    return Flatness(
        spread_db=float(level[highest] - level[lowest]),
        highest=highest,
        lowest=lowest,
        tilt_db=slope * float(frequency[-1] - frequency[0]),
    )
