"""A mask: limits over the index of a series, straight lines between the points that a person gave."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Mask", "MaskPoint", "number_text"]


def number_text(value: float, unit: str, *, signed: bool = False) -> str:
    """Return a number with its unit for people, without the 1 of a plain count."""
    text = f"{value:+.10g}" if signed else f"{value:.10g}"
    return text if unit == "1" else f"{text} {unit}"


@dataclass(frozen=True, kw_only=True)
class MaskPoint:
    """The limits at one index, in the unit of the reading; ``None`` where a side is open."""

    at: float
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, kw_only=True)
class Mask:
    """Points in rising order, all open on the same side; two at one index are a step."""

    points: tuple[MaskPoint, ...]
    index_unit: str = "1"

    @property
    def reach(self) -> tuple[float, float]:
        """The first and the last index that the mask has a limit for."""
        return self.points[0].at, self.points[-1].at

    @property
    def reach_text(self) -> str:
        """The same for people."""
        first, last = (number_text(edge, self.index_unit) for edge in self.reach)
        return f"{first} to {last}"

    def sides(self, index: float) -> tuple[float | None, float | None] | None:
        """Return (low, high) at an index, ``None`` outside the mask. On a step the stricter side counts."""
        found = [
            _between(left, right, index)
            for left, right in zip(self.points, self.points[1:], strict=False)
            if left.at <= index <= right.at
        ]
        if not found:
            return None
        lows = [low for low, _ in found if low is not None]
        highs = [high for _, high in found if high is not None]
        return max(lows, default=None), min(highs, default=None)

    def text(self, unit: str) -> str:
        """Return the whole mask on one line."""
        told = []
        for point in self.points:
            sides = (("min", point.low), ("max", point.high))
            limits = ", ".join(
                f"{name} {number_text(side, unit)}" for name, side in sides if side is not None
            )
            told.append(f"{limits} at {number_text(point.at, self.index_unit)}")
        return f"mask: {'; '.join(told)}"


def _between(left: MaskPoint, right: MaskPoint, index: float) -> tuple[float | None, float | None]:
    return _line(left.at, left.low, right.at, right.low, index, lower=True), _line(
        left.at, left.high, right.at, right.high, index, lower=False
    )


def _line(
    from_at: float, start: float | None, to_at: float, end: float | None, index: float, *, lower: bool
) -> float | None:
    if start is None or end is None:
        return None
    if to_at == from_at:
        return max(start, end) if lower else min(start, end)
    return start + (end - start) * (index - from_at) / (to_at - from_at)
