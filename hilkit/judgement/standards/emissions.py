"""Unwanted emissions of a base station: the mask around the operating band, and the spurious domain.

3GPP TS 38.104, clauses 6.6.4 and 6.6.5; Recommendation ITU-R SM.329.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from hilkit.judgement.mask import MaskPoint
from hilkit.judgement.standards import nr
from hilkit.judgement.standards.conditions import (
    Conditions,
    Published,
    choose,
    relaxed,
    tolerance_by_frequency,
)
from hilkit.judgement.standards.source import Source, StandardMistake

__all__ = ["Segment", "emission_mask", "emission_segments", "spurious", "spurious_itu", "spurious_segments"]

_NOTE = "value of TS 36.104 V19.2.0"
_CLASSES = ("wide_area", "medium_range", "local_area")


@dataclass(frozen=True, kw_only=True)
class Segment:
    """A stretch of a mask: Hz, dBm in ``bandwidth_hz`` at both ends, a straight line between.

    Offsets of a mask count from the channel edge to the centre of the measuring filter (TS 38.104, 6.6.4.1).
    """

    start_hz: float
    stop_hz: float
    start_dbm: float
    stop_dbm: float
    bandwidth_hz: float


def emission_segments(c: Conditions) -> tuple[tuple[Segment, ...], Source]:
    """Return the minimum requirement around a channel of TS 38.104, 6.6.4.2, and its table."""
    station = choose("class", c.station, _CLASSES, "class of base station")
    found = nr.band(c.band) if c.band else None
    if found is None:
        raise StandardMistake("band", "this limit depends on the operating band", next_step="add band: n3")
    reach_hz = _reach(c, found)
    low_band = found.downlink_hz[1] <= 1e9
    if station == "wide_area":
        return _wide_area(c, found.name, reach_hz, low_band=low_band)
    if station == "local_area":
        levels, table = (-30.0, -37.0, -37.0), "6.6.4.2.4-1"
    else:
        rated = c.need("rated", "the declared rated output power")
        if rated > 38:
            raise StandardMistake(
                "rated", "a medium range base station has 38 dBm at most", seen=f"{rated:g} dBm"
            )
        low = rated <= 31
        levels = (-22.0, -29.0, -29.0) if low else (rated - 53, rated - 60, min(rated - 60, -25.0))
        table = "6.6.4.2.3-2" if low else "6.6.4.2.3-1"
    source = _source("V16.0.0", "6.6.4.2", table, memory=True)
    return _shape(levels, reach_hz, far_hz=10.05e6, far_bandwidth_hz=100e3), source


def _wide_area(
    c: Conditions, band: str, reach_hz: float, *, low_band: bool
) -> tuple[tuple[Segment, ...], Source]:
    category = choose("category", c.category, ("A", "B"), "category of spurious emissions")
    if category == "A" and band == "n20":
        raise StandardMistake(
            "category", "Category A has no row for band n20 (TS 38.104 V16.0.0)", seen="A", allowed="B"
        )
    far = {"A": -13.0, "B": -16.0 if low_band else -15.0}[category]
    table = f"6.6.4.2.{'1' if category == 'A' else '2.1'}-{1 if low_band else 2}"
    width, far_hz = (100e3, 10.05e6) if low_band else (1e6, 10.5e6)
    segments = _shape((-7.0, -14.0, far), reach_hz, far_hz=far_hz, far_bandwidth_hz=width)
    return segments, _source("V16.6.0", "6.6.4.2", table)


def _shape(
    levels: Sequence[float], reach_hz: float, *, far_hz: float, far_bandwidth_hz: float
) -> tuple[Segment, ...]:
    near_dbm, middle_dbm, far_dbm = levels
    rows = [
        Segment(
            start_hz=0.05e6, stop_hz=5.05e6, start_dbm=near_dbm, stop_dbm=near_dbm - 7, bandwidth_hz=100e3
        ),
        Segment(
            start_hz=5.05e6,
            stop_hz=min(10.05e6, reach_hz),
            start_dbm=middle_dbm,
            stop_dbm=middle_dbm,
            bandwidth_hz=100e3,
        ),
        Segment(
            start_hz=far_hz,
            stop_hz=reach_hz,
            start_dbm=far_dbm,
            stop_dbm=far_dbm,
            bandwidth_hz=far_bandwidth_hz,
        ),
    ]
    # The row beyond 10 MHz does not apply where the mask hardly reaches there (notes of the tables).
    return tuple(row for row in rows if row.stop_hz > row.start_hz)


def _reach(c: Conditions, found: nr.Band) -> float:
    """Return how far the mask reaches from the channel edge: 10 or 40 MHz beyond the farther band edge."""
    low, high = found.downlink_hz
    beyond = 10e6 if high - low <= 200e6 else 40e6
    if c.carrier is None or c.bandwidth is None:
        return beyond
    if not low <= c.carrier <= high:
        others = nr.bands_at(c.carrier)
        raise StandardMistake(
            "band",
            f"the carrier of {c.carrier / 1e6:g} MHz lies outside the downlink of {found.name}",
            seen=found.name,
            allowed=", ".join(others) or "no band that hilkit knows",
        )
    return beyond + max(c.carrier - low, high - c.carrier) - c.bandwidth / 2


def emission_mask(c: Conditions, old: bool = False) -> Published:
    """Return the mask over the offset from the channel edge, each row in its own measurement bandwidth.

    A test tolerance applies to offsets below 10 MHz.
    """
    segments, source = emission_segments(c)
    found = relaxed(Published(unit="dBm", points=_points(segments), sources=(source,)), c, 0.0)
    if c.requirement != "test":
        return found
    tolerance = tolerance_by_frequency(c, 1.5, 1.8)
    moved = [
        replace(row, start_dbm=row.start_dbm + tolerance, stop_dbm=row.stop_dbm + tolerance)
        if row.start_hz < 10e6
        else row
        for row in segments
    ]
    return replace(found, points=_points(moved))


def _points(segments: Sequence[Segment]) -> tuple[MaskPoint, ...]:
    points: list[MaskPoint] = []
    for row in segments:
        for at, high in ((row.start_hz, row.start_dbm), (row.stop_hz, row.stop_dbm)):
            if not points or points[-1] != MaskPoint(at=at, high=high):
                points.append(MaskPoint(at=at, high=high))
    return tuple(points)


def spurious_segments(category: str, stop_hz: float = 12.75e9) -> tuple[Segment, ...]:
    """Return the general limits of TS 38.104, 6.6.5.2.1, with the measurement bandwidth of each range."""
    low, high = {"A": (-13.0, -13.0), "B": (-36.0, -30.0)}[
        choose("category", category, ("A", "B"), "category of spurious emissions")
    ]
    edges = ((9e3, 150e3, 1e3), (150e3, 30e6, 10e3), (30e6, 1e9, 100e3), (1e9, stop_hz, 1e6))
    return tuple(
        Segment(
            start_hz=a,
            stop_hz=b,
            start_dbm=high if a >= 1e9 else low,
            stop_dbm=high if a >= 1e9 else low,
            bandwidth_hz=width,
        )
        for a, b, width in edges
    )


def spurious(c: Conditions, old: bool = False) -> Published:
    """Return the spurious limits over frequency, 9 kHz to 12.75 GHz or the fifth harmonic of the band."""
    stop_hz = 12.75e9
    if c.band and not old:
        stop_hz = max(stop_hz, 5 * nr.band(c.band).downlink_hz[1])
    table = "6.6.5.2.1-1" if c.category == "A" else "6.6.5.2.1-2"
    source = _source("V16.6.0", "6.6.5.2.1", table, memory=True)
    if old:
        table = "6.6.4.1.1.1-1" if c.category == "A" else "6.6.4.1.2.1-1"
        source = Source(document="3GPP TS 36.104", version="V19.2.0", clause="6.6.4", table=table)
    points = _points(spurious_segments(c.category, stop_hz))
    return relaxed(Published(unit="dBm", points=points, sources=(source,)), c, 0.0)


def spurious_itu(c: Conditions, old: bool = False) -> Published:
    """Return the limits of ITU-R SM.329: Category A by 43 + 10 lg P or 70 dBc, Category B of land mobile."""
    choose("category", c.category, ("A", "B"), "category of spurious emissions")
    source = Source(document="Rec. ITU-R SM.329", clause="4.2", table="2", from_memory=True)
    if c.category == "A":
        high = max(-13.0, c.need("rated", "the power of the transmitter") - 70.0)
        return Published(unit="dBm", high=high, sources=(source,))
    return Published(unit="dBm", points=_points(spurious_segments("B")), sources=(source,))


def _source(version: str, clause: str, table: str, *, memory: bool = False) -> Source:
    return Source(
        document="3GPP TS 38.104",
        version=version,
        clause=clause,
        table=table,
        from_memory=memory,
        note=_NOTE if memory else "",
    )
