"""Errors of a stepped attenuation: per step, cumulative, monotonicity, range, and joining at a pad move.

Signs: an attenuation that rises by one step should lower the level by just that step; an error above zero
means that the level came out higher than that. Levels and settings in dB, arrays of equal length in the order
of measurement.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["cumulative_errors_db", "join_segments", "range_covered_db", "smallest_step_db", "step_errors_db"]

Array = NDArray[np.float64]


def step_errors_db(setting_db: ArrayLike, level_db: ArrayLike) -> Array:
    """Return the error of each step, one fewer than there are points: measured change less the nominal
    change."""
    setting, level = _checked(setting_db, level_db)
    return np.asarray(np.diff(level) + np.diff(setting), dtype=float)


def cumulative_errors_db(setting_db: ArrayLike, level_db: ArrayLike) -> Array:
    """Return the error of each point against the first point; the first is 0."""
    setting, level = _checked(setting_db, level_db)
    return np.asarray((level - level[0]) + (setting - setting[0]), dtype=float)


def smallest_step_db(setting_db: ArrayLike, level_db: ArrayLike) -> float:
    """Return the smallest step in the wanted direction; at or under 0 the attenuation is not monotonic."""
    setting, level = _checked(setting_db, level_db)
    direction = -np.sign(np.diff(setting))
    if np.any(direction == 0):
        raise ValueError("two neighbouring settings are equal: there is no step between them")
    return float(np.min(np.diff(level) * direction))


def range_covered_db(level_db: ArrayLike) -> float:
    """Return the distance between the highest and the lowest level."""
    return float(np.max(level_db) - np.min(level_db))


def join_segments(segments: Sequence[Sequence[float]]) -> tuple[Array, Array]:
    """Join readings taken at several pad settings into one run of levels.

    Each segment after the first begins with the overlap point: the same radio setting as the last of the
    segment before, read at the new pad setting. Return the joined levels, as if the first pad setting had
    stayed (overlap points appear once), and the measured pad steps in dB (new reading less old), one per
    move.
    """
    if not segments or not len(segments[0]) or any(len(segment) < 2 for segment in segments[1:]):
        raise ValueError("each segment after the first needs its overlap point and one reading more")
    joined = [np.asarray(segments[0], dtype=float)]
    steps: list[float] = []
    for segment in segments[1:]:
        steps.append(float(segment[0]) - float(joined[-1][-1] + sum(steps)))
        joined.append(np.asarray(segment[1:], dtype=float) - sum(steps))
    return np.concatenate(joined), np.asarray(steps, dtype=float)


def _checked(setting_db: ArrayLike, level_db: ArrayLike) -> tuple[Array, Array]:
    setting = np.asarray(setting_db, dtype=float)
    level = np.asarray(level_db, dtype=float)
    if setting.shape != level.shape or setting.ndim != 1 or len(setting) < 2:
        raise ValueError(
            f"{len(setting)} settings and {len(level)} levels: equal lengths of 2 or more are needed"
        )
    return setting, level
