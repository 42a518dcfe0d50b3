"""Budgets of a power sweep: of each level, of the change between two points, of the whole range.

Between two points of a sweep neither analyser nor path changes: what is left is the analyser's scale over
their distance, and noise. A pad that moves on the way brings the noise of the two readings at its overlap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilkit.procedures.budgets import LevelBudgets, ratio_budget, scatter_line
from hilkit.readings import Budget, BudgetLine

if TYPE_CHECKING:
    from hilkit.analysis import LineReading
    from hilkit.readings import Trace

__all__ = ["SweepBudgets"]


@dataclass(frozen=True, kw_only=True)
class _Point:
    """One reading: its level as if the first pad setting had stayed, its own noise, all noise up to it.

    ``bent`` is what the analyser's mixer does to the level that really arrived.
    """

    level_dbm: float
    bent: tuple[BudgetLine, ...]
    own: BudgetLine
    joined: BudgetLine


class SweepBudgets:
    """Takes the readings of one sweep in their order, and gives the budget of what follows from them."""

    def __init__(self, budgets: LevelBudgets, *, frequency_hz: float, pad_db: float) -> None:
        """``pad_db`` is the pad setting of the first part: all levels are referred to it."""
        self._budgets = budgets
        self._frequency_hz, self._pad_db = frequency_hz, pad_db
        self._trace: Trace | None = None
        self._points: list[_Point] = []
        self._steps: list[tuple[_Point, _Point]] = []
        self._last: _Point | None = None
        self._overlaps = 0.0
        self._made: dict[tuple[object, ...], Budget] = {}

    @property
    def moved(self) -> bool:
        """Whether the pad has moved."""
        return self._overlaps > 0

    def add(self, trace: Trace, reading: LineReading, *, joined_dbm: float) -> None:
        """Take the reading of a point; ``joined_dbm`` is its level at the analyser, joined to the others."""
        point = self._point(trace, reading, joined_dbm)
        if self._last is not None:
            self._steps.append((point, self._last))
        self._points.append(point)
        self._last = point

    def add_overlap(self, trace: Trace, reading: LineReading) -> None:
        """Take the reading of a point that was read before, at the new pad setting."""
        if self._last is None:
            raise ValueError("an overlap point comes after the point that it repeats")
        last, again = self._last, self._point(trace, reading, self._last.level_dbm)
        self._overlaps += last.own.standard**2 + again.own.standard**2
        self._last = again

    def level(self) -> Budget:
        """Return the budget of the level of the last point at the radio port."""
        trace, point = self._settings(), self._points[-1]
        common = self._budgets.common(trace, frequency_hz=self._frequency_hz, pad_db=self._pad_db)
        lines = (*common, *self._budgets.scale(trace, point.level_dbm), *point.bent, point.joined)
        key = ("level", *lines[len(common) :])
        if key not in self._made:
            self._made[key] = self._budgets.of("dBm", lines)
        return self._made[key]

    def step(self, number: int) -> Budget:
        """Return the budget of a step; the first is number 0."""
        later, earlier = self._steps[number]
        return self._change(later, earlier, later.own, earlier.own)

    def least_known_step(self) -> Budget:
        """Return the budget of the step with the most noise."""
        noise = [math.hypot(a.own.standard, b.own.standard) for a, b in self._steps]
        return self.step(max(range(len(noise)), key=noise.__getitem__))

    def from_first(self, number: int) -> Budget:
        """Return the budget of the change from the first point; the first point itself has none."""
        first, point = self._points[0], self._points[number]
        return self._change(point, first, point.joined, first.own) if number else Budget(unit="dB", lines=())

    def whole_range(self) -> Budget:
        """Return the budget of the distance between the highest and the lowest level."""
        ordered = sorted(self._points, key=lambda point: point.level_dbm)
        return self._change(ordered[-1], ordered[0], ordered[-1].joined, ordered[0].joined)

    def drift(self, trace: Trace, reading: LineReading) -> Budget:
        """Return the budget of the first point read again less its first reading."""
        first = self._points[0]
        again = self._point(trace, reading, first.level_dbm)
        change = self._change(again, first, again.own, first.own)
        pads = [element for element in self._budgets.path.elements if element.is_pad and self.moved]
        contacts = [pad.repeatability.line(f"contacts of {pad.label}") for pad in pads if pad.repeatability]
        return Budget(unit="dB", lines=(*change.lines, *contacts))

    def _point(self, trace: Trace, reading: LineReading, level_dbm: float) -> _Point:
        self._trace = trace
        own = self._budgets.noise(trace, reading)
        bent = self._budgets.compression(trace, reading.level_dbm)
        if not self.moved:
            return _Point(level_dbm=level_dbm, bent=bent, own=own, joined=own)
        joined = scatter_line(
            "noise, with that of the overlaps",
            math.hypot(own.standard, math.sqrt(self._overlaps)),
            unit="dB",
            freedom=own.degrees_of_freedom,
            source=own.source,
        )
        return _Point(level_dbm=level_dbm, bent=bent, own=own, joined=joined)

    def _change(
        self, later: _Point, earlier: _Point, later_noise: BudgetLine, earlier_noise: BudgetLine
    ) -> Budget:
        trace = self._settings()
        one = (*self._budgets.scale(trace, later.level_dbm), *later.bent, later_noise)
        other = (*self._budgets.scale(trace, earlier.level_dbm), *earlier.bent, earlier_noise)
        key = ("change", *one, *other)
        if key not in self._made:
            first, second = Budget(unit="dBm", lines=one), Budget(unit="dBm", lines=other)
            self._made[key] = ratio_budget(first, second, "dB")
        return self._made[key]

    def _settings(self) -> Trace:
        if self._trace is None:
            raise ValueError("a budget needs a reading first")
        return self._trace
