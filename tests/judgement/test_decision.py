"""A decision follows its rule, and says what it risks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilkit.judgement import (
    DecisionRule,
    Limit,
    Rule,
    UncertaintyError,
    check_guard_band,
    combine,
    decide,
    judge,
)
from hilkit.readings import Reading, ReadingKey, Verdict
from tests.judgement.lines import budget, normal, within

U_DB = combine(budget(normal(0.1)))
MAX = Limit(unit="dBm", high=10.0)
BOTH = Limit(unit="dBm", low=9.0, high=10.0)
SIMPLE = DecisionRule()
GUARD = DecisionRule(rule=Rule.GUARD_BAND)
RISK = DecisionRule(rule=Rule.FALSE_ACCEPTANCE)


@pytest.mark.parametrize("value", [8.9, 9.0, 9.0 + 1e-15, 9.5, 10.0, 10.0 + 2e-15, 10.1])
def test_simple_acceptance_decides_as_the_measured_value_alone_does(value: float) -> None:
    reading = Reading(key=ReadingKey(step="s", name="level"), value=value, unit="dBm")
    assert decide(value, U_DB, BOTH, SIMPLE).verdict is judge(reading, BOTH).verdict


@pytest.mark.parametrize(
    ("value", "guard", "risk"),
    [
        (9.80, Verdict.PASS, Verdict.PASS),
        (9.81, Verdict.INCONC, Verdict.INCONC),
        (10.0, Verdict.INCONC, Verdict.INCONC),
        (10.19, Verdict.INCONC, Verdict.INCONC),
        (10.20, Verdict.FAIL, Verdict.FAIL),
    ],
)
def test_a_guard_band_passes_what_is_shown_and_fails_what_is_shown(
    value: float, guard: Verdict, risk: Verdict
) -> None:
    """U is 0.196 dB: at 95 % two-sided that leaves 2.5 % on one side, so both rules switch together."""
    assert decide(value, U_DB, MAX, GUARD).verdict is guard
    assert decide(value, U_DB, MAX, RISK).verdict is risk


def test_a_value_on_the_edge_of_its_guard_band_passes() -> None:
    limit = Limit(unit="dB", high=10.0)
    for r in (0.1, 0.37, 0.83, 1.0, 1.7):
        rule = DecisionRule(rule=Rule.GUARD_BAND, r=r)
        assert decide(10.0 - r * U_DB.expanded, U_DB, limit, rule).verdict is Verdict.PASS


def test_a_rectangle_takes_the_guard_band_of_its_own_shape() -> None:
    found = combine(budget(within(0.3)))
    width = decide(5.0, found, MAX, RISK).guard_band
    assert width == pytest.approx(0.3 * 0.95, abs=0.003)
    assert decide(9.69, found, MAX, SIMPLE).probability_false_acceptance == 0.0


def test_three_readings_of_scatter_take_a_wide_guard_band() -> None:
    assert decide(5.0, combine(budget(normal(0.1, 2))), MAX, RISK).guard_band == pytest.approx(
        0.4303, abs=1e-4
    )


@pytest.mark.parametrize("shape", ["normal", "rectangle", "scatter"])
@pytest.mark.parametrize("rule", [RISK, GUARD])
def test_false_accepts_stay_under_the_promise(shape: str, rule: DecisionRule) -> None:
    """10,000 units of which each one is just outside its limit, the worst for the rule: 2.5 % may pass."""
    draw = np.random.default_rng(6)
    true = 10.0 + 1e-9
    if shape == "scatter":
        readings = draw.normal(0, 0.1, (2000, 4))
        pairs = [(true + x.mean(), combine(budget(normal(float(x.std(ddof=1)) / 2, 3)))) for x in readings]
    else:
        errors = draw.normal(0, 0.1, 10_000) if shape == "normal" else draw.uniform(-0.3, 0.3, 10_000)
        found = combine(budget(normal(0.1) if shape == "normal" else within(0.3)))
        pairs = [(true + error, found) for error in errors]
    accepted = sum(decide(float(y), u, MAX, rule).verdict is Verdict.PASS for y, u in pairs)
    assert 0.015 < accepted / len(pairs) < 0.025 + 3.1 * (0.025 * 0.975 / len(pairs)) ** 0.5


def test_both_sides_of_a_limit_count_in_the_risk() -> None:
    """In the middle of a zone 4.2 standard uncertainties wide each side has 1.8 %: 3.6 % together."""
    zone = Limit(unit="dBm", low=9.79, high=10.21)
    found = decide(10.0, U_DB, zone, RISK)
    assert found.probability_false_acceptance == pytest.approx(0.0357, abs=2e-4)
    assert found.verdict is Verdict.INCONC


@given(value=st.floats(-20, 20), low=st.floats(-10, 0), wide=st.floats(0.5, 10), u=st.floats(0.001, 0.1))
def test_the_two_risks_add_up_and_no_guard_band_accepts_more(
    value: float, low: float, wide: float, u: float
) -> None:
    limit, found = Limit(unit="dB", low=low, high=low + wide), combine(budget(normal(u)))
    simple, guarded = decide(value, found, limit, SIMPLE), decide(value, found, limit, GUARD)
    assert simple.probability_false_acceptance + simple.probability_false_rejection == pytest.approx(1.0)
    assert 0 <= simple.probability_false_acceptance <= 1
    if guarded.verdict is Verdict.PASS:
        assert simple.verdict is Verdict.PASS
    if guarded.verdict is Verdict.FAIL:
        assert simple.verdict is Verdict.FAIL


def test_a_reading_without_uncertainty_is_sure() -> None:
    found = combine(budget())
    assert decide(10.0, found, MAX, GUARD).probability_false_acceptance == 0.0
    assert decide(10.001, found, MAX, GUARD).verdict is Verdict.FAIL
    assert decide(8.999, found, BOTH, SIMPLE).probability_false_rejection == 0.0


@pytest.mark.parametrize(
    ("value", "rule", "words"),
    [
        (9.5, SIMPLE, "9.5 dBm against max 10 dBm: accepted, with less than 0.01 % probability"),
        (10.05, GUARD, "accepting would be wrong with 69.1 % probability, rejecting with 30.9 %"),
        (10.3, GUARD, "rejected, with 0.135 % probability that the true value is inside"),
        (10.3, GUARD, "(guard band of 1 times the expanded uncertainty, guard band 0.196 dB)"),
        (10.3, RISK, "(at most 2.5 % probability of false acceptance, guard band 0.196 dB)"),
        (9.5, SIMPLE, "(simple acceptance)"),
    ],
)
def test_the_sentence_says_what_was_decided_and_what_it_risks(
    value: float, rule: DecisionRule, words: str
) -> None:
    assert words in decide(value, U_DB, MAX, rule).sentence


def test_a_guard_band_that_leaves_no_value_to_accept_is_refused() -> None:
    narrow = Limit(unit="dBm", low=9.9, high=10.1)
    with pytest.raises(UncertaintyError, match="wider than the tolerance zone") as caught:
        decide(10.0, U_DB, narrow, GUARD)
    assert isinstance(caught.value, ValueError)
    assert "less uncertainty" in str(caught.value)
    assert decide(10.0, U_DB, narrow, SIMPLE).verdict is Verdict.PASS
    check_guard_band(0.1, narrow)
    check_guard_band(50.0, MAX)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"r": -0.5}, "0 or more times"),
        ({"r": float("nan")}, "0 or more times"),
        ({"probability": 0.0}, "above 0 and up to 50 %"),
        ({"probability": 2.5}, "above 0 and up to 50 %"),
    ],
)
def test_a_rule_that_cannot_be_is_refused(fields: dict[str, float], words: str) -> None:
    with pytest.raises(UncertaintyError, match=words):
        DecisionRule(**fields)
