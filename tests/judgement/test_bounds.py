"""A bound that passes states the most that accepting it can risk, and no more than that."""

import math

import numpy as np
import pytest
from scipy import stats

from hilkit.judgement import DecisionRule, Limit, Rule, judge
from hilkit.judgement.bounds import most_beyond
from hilkit.judgement.uncertainty import combine
from hilkit.readings import Bound, Budget, BudgetLine, Distribution, Reading, ReadingKey, Verdict

RISK = DecisionRule(rule=Rule.FALSE_ACCEPTANCE, probability=0.025)
HIGH = Limit(unit="dBc", high=-60.0)


def bound(value, *, u=0.0, confidence=0.95, unit="dBc", side=Bound.UPPER):
    line = BudgetLine(
        quantity="path", estimate=0.0, unit="dB", standard=u, distribution=Distribution.NORMAL, divisor=1.0,
        source="bench file",
    )  # fmt: skip
    return Reading(
        key=ReadingKey(step="step", name="line"),
        value=value,
        unit=unit,
        bound=side,
        confidence=confidence,
        budget=Budget(unit=unit, lines=(line,) if u else ()),
    )


def test_a_bound_on_its_limit_risks_what_its_confidence_leaves():
    judgement = judge(bound(-60.0), HIGH)
    assert judgement.verdict is Verdict.PASS
    assert judgement.decision.false_acceptance == pytest.approx(0.05)
    assert judgement.decision.at_most
    assert judgement.decision.false_rejection is None


def test_what_else_is_in_doubt_adds_to_it():
    """Boole's inequality: at the limit half of the path's doubt lies beyond, whatever the noise."""
    assert judge(bound(-60.0, u=0.3), HIGH).decision.false_acceptance == pytest.approx(0.55)
    near, far = (judge(bound(value, u=0.3), HIGH).decision.false_acceptance for value in (-61.0, -75.0))
    assert 0.04 < near < 0.05
    assert far < 1e-4


@pytest.mark.parametrize(
    "reading", [bound(-70.0, confidence=None), bound(-50.0), bound(-70.0, side=Bound.LOWER)]
)
def test_nothing_is_stated_where_nothing_can_be(reading):
    assert judge(reading, HIGH).decision.false_acceptance is None


def test_a_bound_in_another_unit_risks_the_same_however_far_its_limit():
    reading = bound(1.0, unit="s")
    assert most_beyond(reading, 100.0, None) == pytest.approx(0.05)


def test_the_rule_with_a_probability_holds_for_bounds_too():
    """95 % are not 97.5 %: 20 lg(1.96/1.645) = 1.52 dB under the limit the promise is kept, on it not."""
    on, under = judge(bound(-60.0), HIGH, RISK), judge(bound(-61.6), HIGH, RISK)
    assert on.verdict is Verdict.INCONC
    assert "up to 5 % probability of false acceptance" in on.reason
    assert under.verdict is Verdict.PASS


@pytest.mark.parametrize("true_share", [0.0, 0.2, 0.5, 1.0])
@pytest.mark.parametrize("samples", [200, 2000])
@pytest.mark.parametrize("distance_db", [0.0, 1.0, 3.0])
def test_what_is_stated_covers_how_often_the_truth_lies_beyond(true_share, samples, distance_db):
    """A line of ``true_share`` of the noise, read against it in power and bounded at 1.645 sigma.

    Noise of N exponential powers with a line has variance (1 + 2 S)/N of the noise (chi-square law with two
    degrees of freedom a sample). The truth lies beyond bound and distance as often as that tail says.
    """
    rng = np.random.default_rng(11)
    sigma = np.sqrt((1 + 2 * true_share) / samples)
    read = np.maximum(true_share + sigma * rng.standard_normal(200_000), 0.0)
    upper = read
    for _ in range(30):  # where the bound and the scatter of a line at the bound agree
        upper = read + stats.norm.isf(0.05) * np.sqrt((1 + 2 * upper) / samples)
    beyond = np.mean(upper * 10 ** (distance_db / 10) < true_share)
    stated = most_beyond(bound(-60.0), distance_db, None)
    assert beyond <= stated + 3 * math.sqrt(stated / len(read))


def test_the_best_division_of_the_distance_is_taken():
    reading = bound(-60.0, u=0.3)
    found = combine(reading.budget)
    even = stats.norm.sf(stats.norm.isf(0.05) * 10**0.1) + stats.norm.sf(2.0 / 0.3)
    assert most_beyond(reading, 4.0, found) <= even
