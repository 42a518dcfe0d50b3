"""Unwanted emissions against a mask whose measurement bandwidth changes along it.

Where the resolution bandwidth is narrower than the measurement bandwidth, the result is integrated over the
measurement bandwidth (3GPP TS 38.104, clause 6.6.4.1 and its note on the resolution bandwidth). Offsets count
from the edge of the channel to the centre of the measuring filter (f_offset there).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hilkit.analysis.averages import DB_PER_NEPER
from hilkit.errors import MeasurementError
from hilkit.readings import Trace

__all__ = ["MaskSegment", "Nearest", "emission_levels_dbm", "nearest_to_mask"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class MaskSegment:
    """A piece of a mask: highest mean power in ``bandwidth_hz`` at filter centres from ``from_hz`` to
    ``to_hz`` away from the edge of the channel, in dBm on a straight line between its ends."""

    from_hz: float
    to_hz: float
    from_dbm: float
    to_dbm: float
    bandwidth_hz: float

    def limit_dbm(self, offset_hz: ArrayLike) -> Array:
        """Return the limit at offsets inside the segment."""
        share = (np.asarray(offset_hz, dtype=float) - self.from_hz) / (self.to_hz - self.from_hz)
        return np.asarray(self.from_dbm + share * (self.to_dbm - self.from_dbm), dtype=float)


@dataclass(frozen=True, kw_only=True)
class Nearest:
    """Where emissions come nearest to a segment: the filter's centre, the level there, the limit, the scatter
    of the level, and the level of the floor where one was given."""

    frequency_hz: float
    offset_hz: float
    level_dbm: float
    limit_dbm: float
    sd_db: float
    floor_dbm: float | None = None

    @property
    def margin_db(self) -> float:
        """How far the limit is met."""
        return self.limit_dbm - self.level_dbm


def emission_levels_dbm(
    trace: Trace, centres_hz: ArrayLike, *, bandwidth_hz: float, correction_db: ArrayLike = 0.0
) -> Array:
    """Return the mean power in ``bandwidth_hz`` around each of ``centres_hz``.

    Cells of one spacing count with the part that lies inside. ``MeasurementError`` where the trace ends
    before, its filter is wider than the measurement bandwidth, or its points leave gaps.
    """
    centres = np.asarray(centres_hz, dtype=float)
    spacing = trace.spacing_hz
    first, last = trace.frequency_hz[0] - spacing / 2, trace.frequency_hz[-1] + spacing / 2
    if centres.min() - bandwidth_hz / 2 < first or centres.max() + bandwidth_hz / 2 > last:
        raise MeasurementError(
            f"the mask reaches from {(centres.min() - bandwidth_hz / 2) / 1e6:.3f} to "
            f"{(centres.max() + bandwidth_hz / 2) / 1e6:.3f} MHz, the trace from {first / 1e6:.3f} to "
            f"{last / 1e6:.3f} MHz",
            next_step="sweep a wider span",
        )
    if trace.rbw_hz > bandwidth_hz * (1 + 1e-9) or spacing > trace.noise_bandwidth_hz:
        raise MeasurementError(
            f"a filter of {trace.rbw_hz:.0f} Hz and points {spacing:.0f} Hz apart cannot be integrated up to "
            f"{bandwidth_hz:.0f} Hz",
            next_step="take a narrower resolution filter and more points",
        )
    power = np.exp((trace.level_dbm + np.asarray(correction_db, dtype=float)) / DB_PER_NEPER)
    edges = first + spacing * np.arange(len(power) + 1)
    sums = np.concatenate([[0.0], np.cumsum(power)])
    inside = np.interp(centres + bandwidth_hz / 2, edges, sums)
    inside -= np.interp(centres - bandwidth_hz / 2, edges, sums)
    return np.asarray(DB_PER_NEPER * np.log(inside * spacing / trace.noise_bandwidth_hz), dtype=float)


def nearest_to_mask(
    trace: Trace,
    segment: MaskSegment,
    *,
    edge_hz: float,
    side: int,
    correction_db: ArrayLike = 0.0,
    floor: Trace | None = None,
) -> Nearest:
    """Return where the emissions beside ``edge_hz``, above it for ``side`` 1 and below it for -1, come
    nearest to a segment. The floor is told, and not taken off. Errors as of ``emission_levels_dbm``."""
    count = max(2, 1 + int(np.ceil((segment.to_hz - segment.from_hz) / trace.spacing_hz)))
    offsets = np.linspace(segment.from_hz, segment.to_hz, count)
    centres = edge_hz + side * offsets
    bandwidth_hz = segment.bandwidth_hz
    levels = emission_levels_dbm(trace, centres, bandwidth_hz=bandwidth_hz, correction_db=correction_db)
    limits = segment.limit_dbm(offsets)
    worst = int(np.argmin(limits - levels))
    under = None
    if floor is not None:
        at = centres[worst : worst + 1]
        found = emission_levels_dbm(floor, at, bandwidth_hz=bandwidth_hz, correction_db=correction_db)
        under = float(found[0])
    samples = trace.samples_per_point * max(1.0, bandwidth_hz / trace.spacing_hz)
    return Nearest(
        frequency_hz=float(centres[worst]),
        offset_hz=float(offsets[worst]),
        level_dbm=float(levels[worst]),
        limit_dbm=float(limits[worst]),
        sd_db=DB_PER_NEPER / float(np.sqrt(samples)),
        floor_dbm=under,
    )
