"""When a value has settled: it has entered its tolerance and stays there.

The first time inside does not count if the value leaves again (the usual definition of a switching time:
until the value enters and stays within a stated tolerance; the tolerance is part of the answer).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

__all__ = ["settled_after"]


def settled_after(
    time: Sequence[float], value: Sequence[float], *, target: float, tolerance: float
) -> float | None:
    """Return the first time from which every later ``value`` lies within ``target`` +- ``tolerance``.

    ``time`` rises; both have the same length and any unit. ``None`` when the last value is outside. The
    answer is the time of a sample: the value entered at most one sampling interval earlier.
    """
    if len(time) != len(value) or not len(time):
        raise ValueError(f"{len(time)} times and {len(value)} values: equal lengths above 0 are needed")
    times = np.asarray(time, dtype=float)
    if np.any(np.diff(times) < 0):
        raise ValueError("the times do not rise")
    inside = np.abs(np.asarray(value, dtype=float) - target) <= tolerance
    if not inside[-1]:
        return None
    outside = np.flatnonzero(~inside)
    return float(times[outside[-1] + 1 if len(outside) else 0])
