"""Lines and humps of a wide sweep that come near a limit: where to look again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hilkit.readings import Trace

__all__ = ["candidates_hz", "highest_hz", "outside"]


def outside(frequency_hz: ArrayLike, excluded: Sequence[tuple[float, float]]) -> NDArray[np.bool_]:
    """Return for each frequency whether it lies in none of the excluded ranges, ends included."""
    frequency = np.asarray(frequency_hz, dtype=float)
    kept = np.ones(frequency.shape, dtype=bool)
    for low_hz, high_hz in excluded:
        kept &= (frequency < low_hz) | (frequency > high_hz)
    return kept


def candidates_hz(
    trace: Trace,
    *,
    threshold_dbm: float,
    apart_hz: float,
    correction_db: ArrayLike = 0.0,
    excluded: Sequence[tuple[float, float]] = (),
    most: int = 8,
) -> tuple[float, ...]:
    """Return where ``trace``, with ``correction_db`` (one value or one per point) added, is at or above
    ``threshold_dbm``: the highest point first, none within ``apart_hz`` of a higher one, ``most`` at most."""
    levels = np.where(
        outside(trace.frequency_hz, excluded), trace.level_dbm + np.asarray(correction_db, float), -np.inf
    )
    found: list[float] = []
    for index in np.argsort(levels)[::-1]:
        if len(found) == most or levels[index] < threshold_dbm:
            break
        at_hz = float(trace.frequency_hz[index])
        if all(abs(at_hz - other) > apart_hz for other in found):
            found.append(at_hz)
    return tuple(found)


def highest_hz(
    trace: Trace, *, correction_db: ArrayLike = 0.0, excluded: Sequence[tuple[float, float]] = ()
) -> tuple[float, float] | None:
    """Return frequency and level of the highest point outside of what is excluded, ``None`` without one."""
    found = candidates_hz(
        trace,
        threshold_dbm=-np.inf,
        apart_hz=0.0,
        correction_db=correction_db,
        excluded=excluded,
        most=1,
    )
    if not found or not outside(found, excluded)[0]:
        return None
    index = int(np.argmin(np.abs(trace.frequency_hz - found[0])))
    return found[0], float((trace.level_dbm + np.asarray(correction_db, dtype=float))[index])
