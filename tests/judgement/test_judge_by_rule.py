"""With an uncertainty and a decision rule a verdict says what is shown, and what it risks."""

import pytest

from hilkit.judgement import DecisionRule, Limit, Reference, Rule, judge
from hilkit.readings import (
    Bound,
    Budget,
    BudgetLine,
    Distribution,
    Evidence,
    Reading,
    ReadingKey,
    Verdict,
)

NONE, PASS, INCONC, FAIL, ERROR = Verdict
GUARD = DecisionRule(rule=Rule.GUARD_BAND, r=1.0)
RISK = DecisionRule(rule=Rule.FALSE_ACCEPTANCE, probability=0.025)
HIGH = Limit(unit="dBm", high=10.0)


def normal(u, *, shared="", quantity="level", stated=True):
    return BudgetLine(
        quantity=quantity, estimate=0.0, unit="dB", standard=u, distribution=Distribution.NORMAL,
        divisor=1.0, source=f"{quantity}: bench file" if stated else "no level accuracy in the bench file",
        shared=shared, stated=stated,
    )  # fmt: skip


def reading(value, *lines, name="level", bound=Bound.EXACT, unit="dBm", index=None, evidence=()):
    budget = Budget(unit=unit, lines=tuple(lines)) if lines else None
    key = ReadingKey(step="step", name=name, index=index)
    return Reading(key=key, value=value, unit=unit, bound=bound, budget=budget, evidence=evidence)


# Normal distribution, one-sided limit, u = 0.5: conformance probability, JCGM 106:2012, clause 7 (number from
# memory). Phi(1) = 0.84134 and Phi(2) = 0.97725: any table of the normal distribution.
def test_simple_acceptance_keeps_its_verdict_and_states_what_it_risks():
    judgement = judge(reading(9.5, normal(0.5)), HIGH)
    assert judgement.verdict is PASS
    assert judgement.uncertainty.expanded == pytest.approx(0.98, abs=0.001)
    assert judgement.decision.false_acceptance == pytest.approx(1 - 0.84134, abs=1e-4)
    assert judgement.decision.rule == "simple acceptance"
    failed = judge(reading(11.0, normal(0.5)), HIGH)
    assert failed.verdict is FAIL
    assert failed.decision.false_rejection == pytest.approx(1 - 0.97725, abs=1e-4)
    assert failed.reason == "11 dBm misses max 10 dBm by 1 dB; inside with 2.28 % probability"


# ILAC-G8:09/2019, 4.2.3: pass inside the limit by the guard band, fail outside by it, in between neither.
@pytest.mark.parametrize(("value", "verdict"), [(9.0, PASS), (9.5, INCONC), (10.5, INCONC), (11.0, FAIL)])
def test_a_guard_band_leaves_open_what_is_not_shown(value, verdict):
    judgement = judge(reading(value, normal(0.5)), HIGH, GUARD)
    assert judgement.verdict is verdict
    assert judgement.decision.guard_band == pytest.approx(0.98, abs=0.001)
    assert judgement.margin == pytest.approx(10.0 - value), "the margin stays the distance to the limit"


@pytest.mark.parametrize("rule", [GUARD, RISK])
@pytest.mark.parametrize("value", [5.0, 15.0])
def test_without_an_uncertainty_a_rule_that_needs_one_shows_nothing(rule, value):
    judgement = judge(reading(value), HIGH, rule)
    assert judgement.verdict is INCONC
    assert "no uncertainty stated" in judgement.reason
    unknown = judge(reading(value, normal(0.0, stated=False)), HIGH, rule)
    assert unknown.verdict is INCONC
    assert "no level accuracy in the bench file" in unknown.reason


@pytest.mark.parametrize("lines", [(), (normal(0.0, stated=False),)])
def test_without_an_uncertainty_simple_acceptance_decides_by_the_value_and_says_so(lines):
    judgement = judge(reading(5.0, *lines), HIGH)
    assert (judgement.verdict, judgement.decision.false_acceptance) == (PASS, None)
    assert (judgement.reason, judgement.decision.sure) == ("uncertainty not stated", False)
    failed = judge(reading(15.0, *lines), HIGH)
    assert failed.reason == "15 dBm misses max 10 dBm by 5 dB; uncertainty not stated"


def test_a_stated_uncertainty_is_not_said_to_be_missing():
    assert judge(reading(5.0, normal(0.5)), HIGH).decision.sure
    assert judge(reading(5.0, normal(0.5)), HIGH).reason == ""


def test_a_part_that_nobody_stated_is_told_with_the_verdict():
    judgement = judge(reading(9.5, normal(0.5), normal(0.0, stated=False)), HIGH, GUARD)
    assert judgement.uncertainty.missing == ("no level accuracy in the bench file",)
    assert "incomplete: no level accuracy in the bench file" in judgement.reason


def test_a_count_keeps_to_its_limit_whatever_the_rule():
    counted = Reading(
        key=ReadingKey(step="step", name="locked"), value=1.0, unit="1", budget=Budget(unit="1", lines=())
    )
    assert judge(counted, Limit(unit="1", low=1.0), GUARD).verdict is PASS


def test_a_guard_band_wider_than_the_zone_is_inconclusive_with_the_reason():
    judgement = judge(reading(10.0, normal(0.5)), Limit(unit="dBm", low=9.5, high=10.5), GUARD)
    assert judgement.verdict is INCONC
    assert "wider than the tolerance zone" in judgement.reason


@pytest.mark.parametrize(("value", "verdict"), [(8.0, PASS), (9.5, INCONC), (10.5, INCONC)])
def test_a_bound_keeps_the_guard_band_too(value, verdict):
    assert judge(reading(value, normal(0.5), bound=Bound.UPPER), HIGH, GUARD).verdict is verdict


def test_a_bound_without_an_uncertainty_is_judged_as_a_bound():
    assert judge(reading(9.5, bound=Bound.UPPER), HIGH, GUARD).verdict is PASS


def test_evidence_that_failed_outweighs_what_the_rule_accepts():
    check = Evidence(name="state", held=False, observed="", required="", sentence="the analyser overloaded")
    judgement = judge(reading(5.0, normal(0.5), evidence=(check,)), HIGH, GUARD)
    assert judgement.verdict is INCONC
    assert "overloaded" in judgement.reason


@pytest.mark.parametrize("value", [5.0, 15.0])
def test_with_an_expired_calibration_neither_pass_nor_fail_counts(value):
    judgement = judge(reading(value), HIGH, expired="the calibration of analyser ran out on 2026-10-01")
    assert judgement.verdict is INCONC
    assert judgement.reason.startswith("the calibration of analyser ran out on 2026-10-01; by its number")


def test_a_reading_without_a_limit_still_says_how_sure_it_is():
    judgement = judge(reading(5.0, normal(0.5)), None)
    assert (judgement.verdict, judgement.uncertainty.standard) == (NONE, 0.5)
    assert judgement.decision is None


# --- relative to another reading

AGAINST = Limit(unit="dB", high=-20.0, reference=Reference(name="tone"))


def with_tone(item, tone, limit=AGAINST, rule=GUARD):
    return judge(item, limit, rule, {tone.key: tone})


def test_a_relative_limit_judges_the_distance_and_what_both_share_cancels():
    """JCGM 100:2008, 5.2.2, note 1: fully correlated, the uncertainties of a difference cancel."""
    tone = reading(0.0, normal(0.5, shared="path"), normal(0.01, quantity="noise"), name="tone")
    image = reading(-20.1, normal(0.5, shared="path"), normal(0.01, quantity="noise"))
    judgement = with_tone(image, tone)
    assert judgement.verdict is PASS
    assert judgement.comparison.value == pytest.approx(-20.1)
    assert judgement.comparison.uncertainty.standard == pytest.approx(0.01 * 2**0.5)
    assert judgement.uncertainty.standard == pytest.approx(0.5001, abs=1e-4)
    assert judgement.limit_text == "max -20 dB against tone"
    apart = reading(-20.1, normal(0.5, shared="another path"))
    assert with_tone(apart, tone).verdict is INCONC, "nothing cancels between two paths"


def test_a_relative_limit_without_the_other_reading_is_inconclusive():
    judgement = judge(reading(-30.0), AGAINST)
    assert (judgement.verdict, judgement.reason) == (INCONC, "tone was not read")


@pytest.mark.parametrize(
    ("own", "other", "verdict"),
    [
        (Bound.UPPER, Bound.EXACT, PASS),
        (Bound.LOWER, Bound.EXACT, INCONC),
        (Bound.EXACT, Bound.LOWER, PASS),
        (Bound.EXACT, Bound.UPPER, INCONC),
        (Bound.UPPER, Bound.LOWER, PASS),
        (Bound.UPPER, Bound.UPPER, INCONC),
    ],
)
def test_the_distance_of_bounds_is_bounded_where_that_follows(own, other, verdict):
    tone = reading(0.0, name="tone", bound=other)
    assert with_tone(reading(-30.0, bound=own), tone, rule=DecisionRule()).verdict is verdict


def test_a_series_is_compared_with_the_member_of_the_same_index():
    limit = Limit(unit="dB", high=-20.0, reference=Reference(name="tone", series=True))
    tones = {t.key: t for t in (reading(0.0, name="tone", index=0.0), reading(9.0, name="tone", index=1.0))}
    first, second = (judge(reading(-15.0, index=i), limit, others=tones) for i in (0.0, 1.0))
    assert (first.verdict, second.verdict) == (FAIL, PASS)
