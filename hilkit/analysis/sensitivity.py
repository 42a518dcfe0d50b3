"""Sensitivity: the lowest level at which enough frames pass, found by bisection on counts of passes.

At each level the passes are counted in looks of growing size. A level passes once the lower bound of its pass
rate lies at or above what is required, and fails once the upper bound lies below it; bounds are one-sided
and exact for a binomial count (Clopper and Pearson, Biometrika 26, 1934). Each look gets its share of the
error that the whole search may make (Bonferroni), so that whatever is stopped when, the probability that any
level was decided wrongly is below it: nothing is won by looking often.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from hilkit.errors import MeasurementError

__all__ = [
    "Counted",
    "LevelResult",
    "Rule",
    "Sensitivity",
    "decide_level",
    "most_levels",
    "pass_rate_bounds",
    "search",
]

Decision = Literal["pass", "fail", "open"]


def pass_rate_bounds(passed: int, sent: int, error: float) -> tuple[float, float]:
    """Return the exact one-sided lower and upper bound of a pass rate, each wrong with ``error`` at most."""
    from scipy.special import betaincinv

    if not 0 <= passed <= sent or sent < 1:
        raise ValueError(f"{passed} passes of {sent} frames is no count")
    if not 0 < error < 0.5:
        raise ValueError(f"an error of {error} is not between 0 and 0.5")
    lower = 0.0 if passed == 0 else float(betaincinv(passed, sent - passed + 1, error))
    upper = 1.0 if passed == sent else float(betaincinv(passed + 1, sent - passed, 1 - error))
    return lower, upper


@dataclass(frozen=True, kw_only=True)
class Rule:
    """How a search decides: pass rate required, error of the whole search, frames of the looks.

    The looks at a level are after ``first`` frames, twice that, and so on up to ``most``.
    """

    required: float
    error: float = 0.05
    first: int = 50
    most: int = 3200

    def __post_init__(self) -> None:
        if not 0 < self.required < 1:
            raise ValueError(f"a required pass rate of {self.required} is not between 0 and 1")
        if not 0 < self.error < 0.5:
            raise ValueError(f"an error of {self.error} is not between 0 and 0.5")
        if not 1 <= self.first <= self.most:
            raise ValueError(f"looks from {self.first} to {self.most} frames are not possible")

    @property
    def looks(self) -> tuple[int, ...]:
        """Frames in all after each look."""
        counts = [self.first]
        while counts[-1] < self.most:
            counts.append(min(2 * counts[-1], self.most))
        return tuple(counts)

    def share(self, levels: int) -> float:
        """Return the error that one look may make where ``levels`` levels are looked at, at most."""
        return self.error / (levels * len(self.looks))


@dataclass(frozen=True, kw_only=True)
class Counted:
    """What one level has given so far."""

    passed: int
    sent: int


@dataclass(frozen=True, kw_only=True)
class LevelResult:
    """What became of one level in dBm; ``open`` where the most frames decided nothing."""

    level_dbm: float
    decision: Decision
    counted: Counted


def decide_level(counted: Counted, required: float, error: float) -> Decision:
    """Return what a count says of a level with this error to either side."""
    lower, upper = pass_rate_bounds(counted.passed, counted.sent, error)
    if lower >= required:
        return "pass"
    return "fail" if upper < required else "open"


@dataclass(frozen=True, kw_only=True)
class Sensitivity:
    """Where the pass rate crosses what is required: above ``fails_dbm``, at or below ``passes_dbm``.

    ``wrong`` is the greatest probability that it does not, for a pass rate that rises with the level.
    """

    fails_dbm: float
    passes_dbm: float
    wrong: float
    levels: tuple[LevelResult, ...] = field(default=())

    @property
    def level_dbm(self) -> float:
        """The middle of both."""
        return (self.fails_dbm + self.passes_dbm) / 2

    @property
    def half_width_db(self) -> float:
        """How far the crossing may lie to either side of the middle."""
        return (self.passes_dbm - self.fails_dbm) / 2


def most_levels(intervals: int) -> int:
    """Return how many levels a search over a grid of so many intervals looks at, at most.

    Both ends, and two bisections: after a level that stays open, the edges on its two sides are found apart.
    """
    return 2 + 2 * math.ceil(math.log2(max(intervals, 2)))


def search(
    count: Callable[[float, int], int], *, low_dbm: float, high_dbm: float, step_db: float, rule: Rule
) -> Sensitivity:
    """Return the sensitivity between two levels on a grid of ``step_db``.

    ``count(level_dbm, frames)`` sends frames at a level and returns how many passed. ``MeasurementError``
    where the highest level does not pass or the lowest does not fail: the crossing is not between them.
    """
    intervals = round((high_dbm - low_dbm) / step_db) if step_db > 0 else 0
    if intervals < 1 or abs(low_dbm + intervals * step_db - high_dbm) > 1e-6:
        raise ValueError(
            f"{low_dbm:g} to {high_dbm:g} dBm is no whole number of steps of {step_db:g} dB upwards"
        )
    work = _Search(count, low_dbm, step_db, rule, rule.share(most_levels(intervals)))
    work.ends(intervals)
    low, high = 0, intervals
    while high - low > 1:
        middle = (low + high) // 2
        decision = work.decision(middle)
        if decision == "open":
            work.edge(low, middle, "fail")
            work.edge(high, middle, "pass")
            break
        low, high = (low, middle) if decision == "pass" else (middle, high)
    return work.result()


class _Search:
    """The levels looked at so far, by their place in the grid."""

    def __init__(
        self, count: Callable[[float, int], int], low_dbm: float, step_db: float, rule: Rule, error: float
    ) -> None:
        self._count, self._low_dbm, self._step_db = count, low_dbm, step_db
        self._rule, self._error = rule, error
        self.results: dict[int, LevelResult] = {}

    def level(self, place: int) -> float:
        return self._low_dbm + place * self._step_db

    def decision(self, place: int) -> Decision:
        if place not in self.results:
            self.results[place] = self._look(place)
        return self.results[place].decision

    def _look(self, place: int) -> LevelResult:
        level = self.level(place)
        passed = sent = 0
        decision: Decision = "open"
        for frames in self._rule.looks:
            passed += self._count(level, frames - sent)
            sent = frames
            decision = decide_level(Counted(passed=passed, sent=sent), self._rule.required, self._error)
            if decision != "open":
                break
        return LevelResult(level_dbm=level, decision=decision, counted=Counted(passed=passed, sent=sent))

    def ends(self, intervals: int) -> None:
        for place, wanted, way in ((intervals, "pass", "higher"), (0, "fail", "lower")):
            if self.decision(place) != wanted:
                seen = self.results[place].counted
                raise MeasurementError(
                    f"at {self.level(place):g} dBm {seen.passed} of {seen.sent} frames pass, which does not "
                    f"show a {wanted} at {self._rule.required:.4g}: the sensitivity is not in this range",
                    next_step=f"let the search reach a {way} level",
                )

    def edge(self, known: int, beyond: int, wanted: Decision) -> None:
        """Look for the last place with the decision of ``known`` on the way to ``beyond``."""
        while abs(beyond - known) > 1:
            middle = (known + beyond) // 2
            if self.decision(middle) == wanted:
                known = middle
            else:
                beyond = middle

    def result(self) -> Sensitivity:
        fails = max(place for place, each in self.results.items() if each.decision == "fail")
        passes = min(place for place, each in self.results.items() if each.decision == "pass")
        if not fails < passes:
            raise MeasurementError(
                f"{self.level(fails):g} dBm fails and {self.level(passes):g} dBm passes: the pass rate does "
                "not rise with the level",
                next_step="check that nothing changes meanwhile, and that nothing is overloaded",
            )
        return Sensitivity(
            fails_dbm=self.level(fails),
            passes_dbm=self.level(passes),
            wrong=self._rule.error,
            levels=tuple(self.results.values()),
        )
