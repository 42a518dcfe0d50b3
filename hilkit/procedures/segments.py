"""The points of a power sweep, and which of them one setting of the step attenuator can compare."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

__all__ = ["Segment", "points_db", "segments_of"]


@dataclass(frozen=True, kw_only=True)
class Segment:
    """Points read at one pad setting; after the first segment, its first point is the overlap point."""

    pad_db: float
    attenuations_db: tuple[float, ...]


def points_db(start_db: float, end_db: float, step_db: float) -> tuple[float, ...]:
    """Return every transmit attenuation from ``start_db`` to ``end_db``, in either direction."""
    count = round(abs(end_db - start_db) / step_db)
    signed_db = step_db if end_db > start_db else -step_db
    return tuple(round(start_db + signed_db * index, 6) for index in range(count + 1))


def segments_of(points: Sequence[float], *, pad_db: float, usable_range_db: float) -> list[Segment]:
    """Split the points where their levels no longer fit into the range, and give each part its pad setting.

    ``pad_db`` belongs to the highest level. The pad comes down by as many whole dB as the highest level of a
    part lies under that of the whole; where it cannot come down, the part before simply goes on.
    """
    top_db = min(points)
    segments: list[Segment] = []
    for part in _parts(points, usable_range_db):
        lowered_db = max(0.0, pad_db - float(int(min(part) - top_db + 1e-9)))
        if segments and segments[-1].pad_db == lowered_db:
            before = segments.pop()
            part = before.attenuations_db + part[1:]
        segments.append(Segment(pad_db=lowered_db, attenuations_db=part))
    return segments


def _parts(points: Sequence[float], width_db: float) -> Iterator[tuple[float, ...]]:
    """Yield runs that span at most ``width_db``; each begins with the last point of the one before."""
    part: list[float] = []
    for point in points:
        if len(part) > 1 and abs(point - part[0]) > width_db + 1e-9:
            yield tuple(part)
            part = part[-1:]
        part.append(point)
    yield tuple(part)
