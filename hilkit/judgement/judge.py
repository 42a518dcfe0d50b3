"""The decision: does a reading keep to its limit?

The rule is simple acceptance (JCGM 106:2012, 8.2): the acceptance limits are the tolerance limits, and the
measured value decides. Only what the measured value allows is said: a bound speaks about one side alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from hilkit.judgement.limit import Limit, number_text
from hilkit.quantities import difference_unit
from hilkit.readings import Bound, Reading, Verdict

__all__ = ["Judgement", "judge", "worst"]


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """What was decided about one reading, and why.

    ``margin`` is the distance to the nearest limit in the reading's unit (``margin_unit``: dB where that is a
    level), negative when missed; ``None`` where there is no limit or none on the side that a bound bounds.
    ``reason`` is one sentence, empty for a plain pass and where nothing was judged.
    """

    verdict: Verdict
    margin: float | None = None
    margin_unit: str = ""
    limit_text: str = ""
    reason: str = ""


def judge(reading: Reading, limit: Limit | None) -> Judgement:
    """Judge one reading; ``none`` without a limit, also where the limit is on another phase.

    ``ValueError`` when the limit is in another unit: limits are converted when the plan is loaded.
    """
    if limit is None or limit.phase != reading.key.phase:
        return Judgement(verdict=Verdict.NONE)
    if limit.unit != reading.unit:
        raise ValueError(f"{reading.key} is in {reading.unit}, its limit in {limit.unit}")
    verdict, reason = _exact(reading, limit) if reading.bound is Bound.EXACT else _bound(reading, limit)
    failed = [evidence.sentence for evidence in reading.evidence if evidence.held is False]
    if failed:
        doubt = "the reading failed its own check: " + "; ".join(failed)
        verdict = verdict.overwritten_by(Verdict.INCONC)
        reason = f"{reason}; {doubt}" if reason else doubt
    return Judgement(
        verdict=verdict,
        margin=_margin(reading, limit),
        margin_unit=difference_unit(limit.unit),
        limit_text=str(limit),
        reason=reason,
    )


def worst(judgements: Iterable[Judgement]) -> Judgement:
    """Return the judgement that stands for all: the overwriting verdict, and of its kind the least margin."""
    result = Judgement(verdict=Verdict.NONE)
    for judgement in judgements:
        if _rank(judgement) > _rank(result):
            result = judgement
    return result


def _rank(judgement: Judgement) -> tuple[int, float]:
    margin = math.inf if judgement.margin is None else judgement.margin
    return list(Verdict).index(judgement.verdict), -margin


def _exact(reading: Reading, limit: Limit) -> tuple[Verdict, str]:
    for side, name, distance in _sides(reading.value, limit):
        if distance < 0:
            missed = number_text(-distance, difference_unit(limit.unit))
            return (
                Verdict.FAIL,
                f"{_value(reading)} misses {name} {number_text(side, limit.unit)} by {missed}",
            )
    return Verdict.PASS, ""


def _bound(reading: Reading, limit: Limit) -> tuple[Verdict, str]:
    """Judge a bound: it passes the side that it bounds, and can show nothing about the other."""
    bounded, other, words = (
        ("max", "min", "at most") if reading.bound is Bound.UPPER else ("min", "max", "at least")
    )
    told = f"the quantity is {words} {_value(reading)}"
    for side, name, distance in _sides(reading.value, limit):
        if name == other:
            return (
                Verdict.INCONC,
                f"{told}: that cannot show that it keeps to {name} {number_text(side, limit.unit)}",
            )
        if distance < 0:
            return (
                Verdict.INCONC,
                f"{told}: that does not show that it keeps to {name} {number_text(side, limit.unit)}",
            )
    return Verdict.PASS, f"{told}, which keeps to the {bounded}"


def _margin(reading: Reading, limit: Limit) -> float | None:
    speaks = {Bound.EXACT: ("min", "max"), Bound.UPPER: ("max",), Bound.LOWER: ("min",)}[reading.bound]
    return min(
        (distance for _, name, distance in _sides(reading.value, limit) if name in speaks), default=None
    )


def _sides(value: float, limit: Limit) -> list[tuple[float, str, float]]:
    """Return (limit, its name, distance to it) for each side, the nearest first.

    A distance that is nothing but the rounding of the numbers (four units in the last place) counts as zero:
    10.3 dB keeps to 10 dB within 0.3 dB.
    """
    sides = []
    if limit.low is not None:
        sides.append((limit.low, "min", _distance(value, limit.low)))
    if limit.high is not None:
        sides.append((limit.high, "max", _distance(limit.high, value)))
    return sorted(sides, key=lambda side: side[2])


def _distance(larger: float, smaller: float) -> float:
    distance = larger - smaller
    return 0.0 if abs(distance) <= 4 * math.ulp(max(abs(larger), abs(smaller))) else distance


def _value(reading: Reading) -> str:
    return number_text(reading.value, reading.unit)
