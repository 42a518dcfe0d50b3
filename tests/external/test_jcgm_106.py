"""Decisions against JCGM 106:2012, ILAC-G8:09/2019 and ISO 14253-1."""

from __future__ import annotations

import pytest
from scipy import integrate, stats

from hilkit.judgement import DecisionRule, Limit, Rule, Uncertainty, combine, decide
from hilkit.readings import Verdict
from tests.external.budgets import budget, normal

SIMPLE = DecisionRule()


def uncertainty(standard: float, probability: float = 0.9545) -> Uncertainty:
    """A normal uncertainty; 95.45 % makes k = 2, with which the published figures were made."""
    return combine(budget(normal(standard)), probability=probability)


CONFORMANCE = [  # clause 7 (from memory): value, u, lower and upper limit, conformance probability
    ("viscosity of an oil", 13.6, 1.8, 12.5, 16.3, 0.66),
    ("breakdown of a Zener diode", -5.47, 0.05, None, -5.40, 0.92),
    ("burst pressure", 509.7, 8.6, 490.0, None, 0.99),
]


@pytest.mark.parametrize(("what", "value", "u", "low", "high", "published"), CONFORMANCE)
def test_conformance_probabilities_are_those_of_clause_7(
    what: str, value: float, u: float, low: float | None, high: float | None, published: float
) -> None:
    found = decide(value, uncertainty(u), Limit(unit="1", low=low, high=high), SIMPLE)
    assert found.verdict is Verdict.PASS, what
    assert found.probability_false_rejection == pytest.approx(published, abs=0.005)
    assert found.probability_false_acceptance == pytest.approx(1 - published, abs=0.005)


def test_a_speed_of_107_km_h_is_beyond_doubt_and_106_is_not() -> None:
    """Clause 8.3.3.3 (from memory): limit 100 km/h, u 2 % of the value, 99.9 % sure from 107 km/h on."""
    rule = DecisionRule(rule=Rule.FALSE_ACCEPTANCE, probability=0.001)
    limit = Limit(unit="1", high=100.0)
    assert decide(107.0, uncertainty(0.02 * 107), limit, rule).verdict is Verdict.FAIL
    assert decide(106.0, uncertainty(0.02 * 106), limit, rule).verdict is Verdict.INCONC


def global_risks(limit: float, accepted: float, u: float) -> tuple[float, float]:
    """Consumer's and producer's risk of bearings with a gamma(4, 1/4 um) radial error, clause 9.5.4.

    The densities come from scipy, the acceptance limit from the code under test.
    """
    prior = stats.gamma(4, scale=0.25)

    def accept(true: float) -> float:
        return float(stats.norm.cdf((accepted - true) / u))

    consumer = integrate.quad(lambda x: prior.pdf(x) * accept(x), limit, 12)[0]
    producer = integrate.quad(lambda x: prior.pdf(x) * (1 - accept(x)), 0, limit)[0]
    return consumer, producer


def test_the_guard_band_of_the_ball_bearing_brings_the_consumers_risk_to_0_1_percent() -> None:
    """9.5.4: T_U 2 um, u 0.25 um: 0.8 % without a guard band, 0.1 % with acceptance limit 1.67 um."""
    limit, found = Limit(unit="1", high=2.0), uncertainty(0.25)
    assert global_risks(2.0, 2.0 - decide(1.0, found, limit, SIMPLE).guard_band, 0.25)[0] == pytest.approx(
        0.008, abs=5e-5
    )
    rule = DecisionRule(rule=Rule.GUARD_BAND, r=(2.0 - 1.67183) / 0.5)
    band = decide(1.0, found, limit, rule).guard_band
    assert global_risks(2.0, 2.0 - band, 0.25)[0] == pytest.approx(0.001, abs=1e-6)
    assert decide(1.671, found, limit, rule).verdict is Verdict.PASS
    assert decide(1.673, found, limit, rule).verdict is Verdict.INCONC


# ILAC-G8:09/2019, table 1 (0.83 U from memory): w over U and the specific risk at the acceptance limit.
ILAC = [(0.0, 0.50), (0.83, 0.05), (1.0, 0.025), (1.5, 0.0016), (3.0, 1e-6)]


@pytest.mark.parametrize(("r", "promised"), ILAC)
def test_the_risk_at_the_acceptance_limit_keeps_the_promise_of_ilac_g8(r: float, promised: float) -> None:
    limit, found = Limit(unit="1", high=10.0), uncertainty(0.5)
    rule = DecisionRule(rule=Rule.GUARD_BAND, r=r)
    at_limit = 10.0 - r * found.expanded
    decision = decide(at_limit, found, limit, rule)
    assert decision.verdict is Verdict.PASS
    assert decision.probability_false_acceptance <= promised
    assert decision.probability_false_acceptance == pytest.approx(stats.norm.sf(2 * r), rel=1e-3, abs=1e-9)
    assert decision.probability_false_acceptance > promised / 1100


def test_three_zones_switch_at_the_limit_less_and_plus_the_guard_band() -> None:
    """ILAC-G8:09/2019, 4.2.3 (switch points from memory) and ISO 14253-1: who proves pays the uncertainty."""
    limit, found = Limit(unit="dB", low=-1.0, high=1.0), combine(budget(normal(0.1), unit="dB"))
    rule = DecisionRule(rule=Rule.GUARD_BAND, r=1.0)
    band = decide(0.0, found, limit, rule).guard_band
    assert band == pytest.approx(0.196, abs=5e-4)
    zones = [
        (0.80, Verdict.PASS), (0.81, Verdict.INCONC), (1.0, Verdict.INCONC), (1.19, Verdict.INCONC),
        (1.20, Verdict.FAIL),
    ]  # fmt: skip
    for value, verdict in zones:
        assert decide(value, found, limit, rule).verdict is verdict
        assert decide(-value, found, limit, rule).verdict is verdict
