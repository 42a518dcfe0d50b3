"""The decision: does a reading keep to its limit?

By the decision rule of the plan; simple acceptance (JCGM 106:2012, 8.2) where it names none: the acceptance
limits are the tolerance limits, and the measured value decides. Only what the measured value allows is said:
a bound speaks about one side alone, and a rule that needs an uncertainty shows nothing without one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from hilkit.judgement.bounds import most_beyond
from hilkit.judgement.decision import DecisionRule, Rule, decide, percent_text
from hilkit.judgement.limit import Limit, number_text
from hilkit.judgement.relative import distance_from, other_reading
from hilkit.judgement.self_checks import doubts
from hilkit.judgement.stated import Comparison, StatedDecision, StatedUncertainty
from hilkit.judgement.uncertainty import Uncertainty, combine
from hilkit.quantities import difference_unit
from hilkit.readings import Bound, Reading, ReadingKey, Verdict
from hilkit.readings.budget import UncertaintyError

__all__ = ["SIMPLE_ACCEPTANCE", "Judgement", "judge", "worst"]

SIMPLE_ACCEPTANCE = DecisionRule()
_ROUNDING = 1e-9
_NOT_STATED = "uncertainty not stated"


@dataclass(frozen=True, kw_only=True)
class Judgement:
    """What was decided about one reading, and why.

    ``margin`` is the distance to the nearest limit in the reading's unit (``margin_unit``: dB where that is a
    level), negative when missed; ``None`` where there is no limit or none on the side that a bound bounds.
    ``reason`` is one sentence, empty for a plain pass and where nothing was judged; a pass of a value whose
    uncertainty nobody has stated says so. ``uncertainty`` is that
    of the reading, with or without a limit; ``comparison`` is what was judged instead of the reading, where
    the limit is relative to another one.
    """

    verdict: Verdict
    margin: float | None = None
    margin_unit: str = ""
    limit_text: str = ""
    reason: str = ""
    uncertainty: StatedUncertainty | None = None
    decision: StatedDecision | None = None
    comparison: Comparison | None = None


def judge(
    reading: Reading,
    limit: Limit | None,
    rule: DecisionRule = SIMPLE_ACCEPTANCE,
    others: Mapping[ReadingKey, Reading] | None = None,
    *,
    expired: str = "",
) -> Judgement:
    """Judge one reading; ``none`` without a limit, also where the limit is on another phase.

    ``others`` are the readings taken so far, for limits that are relative to one of them. ``expired`` is a
    sentence on a calibration that ran out: with it neither pass nor fail counts.

    ``ValueError`` when the limit is in another unit: limits are converted when the plan is loaded.
    """
    found, trouble = _uncertainty(reading)
    stated = None if found is None else StatedUncertainty.of(found, difference_unit(reading.unit))
    if limit is None or limit.phase != reading.key.phase:
        return Judgement(verdict=Verdict.NONE, uncertainty=stated)
    judged, comparison, open_question = reading, None, ""
    if limit.reference is not None:
        other = other_reading(reading.key, limit.reference, others or {})
        distance = None if other is None else distance_from(reading, other)
        if distance is None:
            why = "was not read" if other is None else "and this one are bounds: their distance is open"
            open_question = f"{limit.reference} {why}"
        else:
            judged = distance
            found, trouble = _uncertainty(distance)
            comparison = _comparison(distance, found, str(limit.reference))
    plain = limit.at(reading.key.index)
    if not open_question and plain is None:
        open_question = f"no limit here: {_mask_text(reading, limit)}"
    if open_question or plain is None:
        told = Judgement(verdict=Verdict.INCONC, limit_text=str(limit), reason=open_question)
    else:
        told = _judged(judged, plain, rule, found, trouble)
    return _expired(replace(told, uncertainty=stated, comparison=comparison), expired)


def _judged(
    reading: Reading, limit: Limit, rule: DecisionRule, found: Uncertainty | None, trouble: str
) -> Judgement:
    if limit.unit != reading.unit:
        raise ValueError(f"{reading.key} is in {reading.unit}, its limit in {limit.unit}")
    decision = StatedDecision(rule=str(rule))
    unknown = found is None or (found.standard == 0 and bool(found.missing))
    if reading.bound is not Bound.EXACT:
        verdict, reason, decision = _of_bound(reading, limit, rule, found)
    elif found is None or unknown:
        verdict, reason = _without_uncertainty(reading, limit, rule, trouble)
    else:
        verdict, reason, decision = _with_uncertainty(reading, limit, rule, found)
    if unknown:
        decision = replace(decision, sure=False)
        reason = "; ".join(filter(None, (reason, "" if trouble and trouble in reason else _NOT_STATED)))
    verdict, reason = _own_checks(reading, verdict, reason)
    return Judgement(
        verdict=verdict,
        margin=_margin(reading, limit),
        margin_unit=difference_unit(limit.unit),
        limit_text=str(limit),
        reason=reason,
        decision=decision,
    )


def _uncertainty(reading: Reading) -> tuple[Uncertainty | None, str]:
    if reading.budget is None:
        return None, "no uncertainty stated"
    try:
        found = combine(reading.budget)
    except UncertaintyError as error:
        return None, f"no uncertainty stated: {error.message}"
    return found, f"no uncertainty stated: {'; '.join(found.missing)}" if found.missing else ""


def _comparison(distance: Reading, found: Uncertainty | None, to: str) -> Comparison:
    stated = None if found is None else StatedUncertainty.of(found, difference_unit(distance.unit))
    return Comparison(
        to=to, value=distance.value, unit=distance.unit, uncertainty=stated, budget=distance.budget
    )


def _mask_text(reading: Reading, limit: Limit) -> str:
    if limit.mask is None or reading.key.index is None:
        return "the mask needs a series"
    where = number_text(reading.key.index, limit.mask.index_unit)
    return f"the mask reaches from {limit.mask.reach_text}, the reading is at {where}"


def _without_uncertainty(
    reading: Reading, limit: Limit, rule: DecisionRule, trouble: str
) -> tuple[Verdict, str]:
    if rule.rule is Rule.SIMPLE_ACCEPTANCE:
        return _exact(reading, limit)
    return Verdict.INCONC, f"{_value(reading)} against {limit}: {trouble}, and the rule needs one ({rule})"


def _with_uncertainty(
    reading: Reading, limit: Limit, rule: DecisionRule, found: Uncertainty
) -> tuple[Verdict, str, StatedDecision]:
    try:
        made = decide(reading.value, found, limit, rule)
    except UncertaintyError as error:
        width = rule.guard_band(found)
        return Verdict.INCONC, error.message, StatedDecision(rule=str(rule), guard_band=width)
    decision = StatedDecision(
        rule=str(rule),
        guard_band=made.guard_band,
        false_acceptance=made.probability_false_acceptance,
        false_rejection=made.probability_false_rejection,
    )
    if made.verdict is Verdict.PASS:
        return made.verdict, "", decision
    reason = made.sentence
    if made.verdict is Verdict.FAIL:
        _, missed = _exact(reading, limit)
        risk = f"; inside with {percent_text(made.probability_false_rejection)} probability"
        reason = f"{missed}{risk if found.standard else ''}"
    if found.missing:
        reason += f"; the uncertainty is incomplete: {'; '.join(found.missing)}"
    return made.verdict, reason, decision


def _own_checks(reading: Reading, verdict: Verdict, reason: str) -> tuple[Verdict, str]:
    """A number that its own checks do not stand behind shows neither that a limit is kept nor missed."""
    found = doubts(reading)
    told = [reason] if reason else []
    if verdict is Verdict.FAIL and (found.of_the_measurement or found.unproven):
        verdict, told = Verdict.INCONC, [f"by its number it would be fail: {reason}"]
    if found.failed:
        told.append(f"the reading failed its own check: {found.failed}")
    if found.unproven:
        told.append(f"the reading is not proven: {found.unproven}")
    if found.unchecked:
        told.append(f"not checked: {found.unchecked}")
    if found.failed or found.unproven:
        verdict = verdict.overwritten_by(Verdict.INCONC)
    return verdict, "; ".join(told)


def _expired(judgement: Judgement, sentence: str) -> Judgement:
    if not sentence:
        return judgement
    number = f"by its number it would be {judgement.verdict}"
    told = f"{sentence}; {number}" + (f": {judgement.reason}" if judgement.reason else "")
    return replace(judgement, verdict=Verdict.INCONC, reason=told)


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
            missed = _measured(-distance, difference_unit(limit.unit))
            return (
                Verdict.FAIL,
                f"{_value(reading)} misses {name} {number_text(side, limit.unit)} by {missed}",
            )
    return Verdict.PASS, ""


def _of_bound(
    reading: Reading, limit: Limit, rule: DecisionRule, found: Uncertainty | None
) -> tuple[Verdict, str, StatedDecision]:
    """Judge a bound; one that passes states the most that accepting it can risk."""
    width = 0.0 if found is None else rule.guard_band(found)
    decision = StatedDecision(rule=str(rule), guard_band=width)
    verdict, reason = _bound(reading, limit, width)
    margin = _margin(reading, limit)
    risk = None if margin is None else most_beyond(reading, margin, found)
    if verdict is not Verdict.PASS or risk is None:
        return verdict, reason, decision
    decision = replace(decision, false_acceptance=risk, at_most=True)
    if rule.rule is Rule.FALSE_ACCEPTANCE and risk > rule.probability + _ROUNDING:
        reason = (
            f"{reason}, but not with the certainty that the rule asks for: up to {percent_text(risk)}"
            f" probability of false acceptance is left ({rule})"
        )
        return Verdict.INCONC, reason, decision
    return verdict, reason, decision


def _bound(reading: Reading, limit: Limit, width: float) -> tuple[Verdict, str]:
    """Judge a bound: it passes the side that it bounds, and can show nothing about the other.

    ``width`` is the guard band that it has to keep from that side.
    """
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
        if distance < width:
            band = f" with a guard band of {_measured(width, difference_unit(limit.unit))}" if width else ""
            return (
                Verdict.INCONC,
                f"{told}: that does not show that it keeps to {name} {number_text(side, limit.unit)}{band}",
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
    return _measured(reading.value, reading.unit)


def _measured(value: float, unit: str) -> str:
    """Return a measured number with three decimals at most: more would only look exact.

    Where three decimals would show nothing, three digits are kept.
    """
    return number_text(round(value, 3) or float(f"{value:.3g}"), unit)
