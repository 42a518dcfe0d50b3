"""Decision rules: what a measured value with its uncertainty says about a limit.

Terms of JCGM 106:2012 and ILAC-G8:09/2019. The risks are the specific ones, for this value: the probability
that the quantity lies outside its limits although the reading is accepted, and inside although it is rejected
(JCGM 106, 9.3.1 and 7.2: conformance probability). No knowledge from before the measurement enters.

With a guard band the verdict has three values: pass where conformity is shown, fail where nonconformity is
shown, inconc in between; the party that proves pays the uncertainty (ISO 14253-1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from hilkit.judgement.limit import Limit, number_text
from hilkit.judgement.uncertainty import Uncertainty
from hilkit.quantities import difference_unit
from hilkit.readings.budget import UncertaintyError
from hilkit.readings.verdict import Verdict

__all__ = ["Decision", "DecisionRule", "Rule", "check_guard_band", "decide", "percent_text"]


class Rule(StrEnum):
    """How the uncertainty enters the decision."""

    SIMPLE_ACCEPTANCE = "simple_acceptance"
    GUARD_BAND = "guard_band"
    FALSE_ACCEPTANCE = "false_acceptance"


@dataclass(frozen=True, kw_only=True)
class DecisionRule:
    """A decision rule with its figure.

    ``r`` belongs to the guard band w = r U: 1 is the rule of ILAC-G8, 4.2.2 (less than 2.5 % false
    acceptance), 0.83 the 5 % of ISO 14253-1, 1.5 that of three standard uncertainties. ``probability``
    belongs to the rule that names the greatest probability of false acceptance.
    """

    rule: Rule = Rule.SIMPLE_ACCEPTANCE
    r: float = 1.0
    probability: float = 0.025

    def __post_init__(self) -> None:
        if not (math.isfinite(self.r) and self.r >= 0):
            raise UncertaintyError(
                f"a guard band is 0 or more times the expanded uncertainty, not {self.r}",
                next_step="1 gives less than 2.5 % false acceptance, 0.83 less than 5 %",
            )
        if not 0 < self.probability <= 0.5:
            raise UncertaintyError(
                "a probability of false acceptance lies above 0 and up to 50 %,"
                f" not at {self.probability:.4g}",
                next_step="50 % at the limit is what simple acceptance allows; 2.5 % is usual",
            )

    def __str__(self) -> str:
        if self.rule is Rule.GUARD_BAND:
            return f"guard band of {self.r:g} times the expanded uncertainty"
        if self.rule is Rule.FALSE_ACCEPTANCE:
            return f"at most {percent_text(self.probability)} probability of false acceptance"
        return "simple acceptance"

    def guard_band(self, uncertainty: Uncertainty) -> float:
        """Return w in the reading's unit: how far inside its limit a value has to lie."""
        if self.rule is Rule.GUARD_BAND:
            return self.r * uncertainty.expanded
        if self.rule is Rule.FALSE_ACCEPTANCE:
            return uncertainty.distance(1 - self.probability)
        return 0.0


@dataclass(frozen=True, kw_only=True)
class Decision:
    """What was decided about one value.

    ``guard_band`` is in the reading's unit. ``probability_false_acceptance`` is the probability that the
    quantity lies outside its limits (what accepting it risks); ``probability_false_rejection`` that it lies
    inside (what rejecting it risks). ``sentence`` says all of it.
    """

    verdict: Verdict
    guard_band: float
    probability_false_acceptance: float
    probability_false_rejection: float
    sentence: str


def decide(value: float, uncertainty: Uncertainty, limit: Limit, rule: DecisionRule) -> Decision:
    """Decide by ``rule`` whether a value keeps to its limit.

    Simple acceptance passes inside the limit and on it, and fails outside. The others pass where the value is
    inside by the guard band, fail where it is outside by as much, and are inconclusive in between; the rule
    with a probability also counts the risk of the other side of a two-sided limit.

    Raises ``UncertaintyError`` for a guard band that leaves no value to accept.
    """
    width = rule.guard_band(uncertainty)
    check_guard_band(width, limit)
    inside = conformance(value, uncertainty, limit)
    verdict = _verdict(value, width, limit)
    promised = rule.rule is Rule.FALSE_ACCEPTANCE
    if promised and verdict is Verdict.PASS and 1 - inside > rule.probability + 1e-9:
        verdict = Verdict.INCONC
    return Decision(
        verdict=verdict,
        guard_band=width,
        probability_false_acceptance=1 - inside,
        probability_false_rejection=inside,
        sentence=_sentence(value, width, limit, rule, verdict, inside),
    )


def check_guard_band(width: float, limit: Limit) -> None:
    """Raise ``UncertaintyError`` where a guard band leaves nothing of the tolerance zone."""
    if limit.low is None or limit.high is None or _gap(limit.high - width, limit.low + width) >= 0:
        return
    unit = difference_unit(limit.unit)
    raise UncertaintyError(
        f"the guard band is wider than the tolerance zone: {_short(width, unit)} at either side of"
        f" {limit} leaves no value that could pass",
        next_step="measure with less uncertainty, widen the limit, or choose another decision rule",
    )


def conformance(value: float, uncertainty: Uncertainty, limit: Limit) -> float:
    """Return the probability that the quantity lies inside its limits, JCGM 106, 7.2."""
    below = 1.0 if limit.high is None else uncertainty.probability_below(_gap(limit.high, value))
    under = 0.0
    if (
        limit.low is not None
    ):  # by symmetry P(Y < low) = P(Y > 2 value - low); a value on the limit keeps to it
        under = 1 - uncertainty.probability_below(_gap(value, limit.low))
    return min(max(below - under, 0.0), 1.0)


def _verdict(value: float, width: float, limit: Limit) -> Verdict:
    if _least(value, limit, -width) >= 0:
        return Verdict.PASS
    return Verdict.INCONC if width and _least(value, limit, width) >= 0 else Verdict.FAIL


def _least(value: float, limit: Limit, widened: float) -> float:
    """Return the distance to the nearer limit, both moved outwards by ``widened``."""
    room = [_gap(limit.high + widened, value)] if limit.high is not None else []
    room += [_gap(value, limit.low - widened)] if limit.low is not None else []
    return min(room)


def _gap(larger: float, smaller: float) -> float:
    """Return the distance; four units in the last place are the rounding of the numbers, and count as 0."""
    gap = larger - smaller
    return 0.0 if abs(gap) <= 4 * math.ulp(max(abs(larger), abs(smaller))) else gap


def _sentence(
    value: float, width: float, limit: Limit, rule: DecisionRule, verdict: Verdict, inside: float
) -> str:
    unit = difference_unit(limit.unit)
    seen = f"{_short(value, limit.unit)} against {limit}"
    band = f", guard band {_short(width, unit)}" if width else ""
    outside_text, inside_text = percent_text(1 - inside), percent_text(inside)
    risk = {
        Verdict.PASS: f"accepted, with {outside_text} probability that the true value is outside",
        Verdict.FAIL: f"rejected, with {inside_text} probability that the true value is inside",
    }.get(
        verdict,
        f"neither shown: accepting would be wrong with {outside_text} probability, rejecting with"
        f" {inside_text}",
    )
    return f"{seen}: {risk} ({rule}{band})"


def _short(value: float, unit: str) -> str:
    return number_text(round(value, 3) or float(f"{value:.3g}"), unit)


def percent_text(probability: float) -> str:
    """Return a probability in percent for people."""
    if probability < 1e-4:
        return "less than 0.01 %"
    if probability > 1 - 1e-4:
        return "more than 99.99 %"
    return f"{100 * probability:.3g} %"
