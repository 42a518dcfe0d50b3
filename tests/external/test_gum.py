"""Worked examples of JCGM 100:2008 (GUM)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hilkit.judgement import combine, law_of_propagation, student_factor
from hilkit.judgement.correlation import correlation_matrix, result_correlation
from hilkit.readings import BudgetLine, Distribution
from tests.external.budgets import budget, normal, within

# Table G.2 on page 78, columns p = 68.27, 90, 95, 95.45, 99, 99.73 %. Most cells from memory.
FRACTIONS = (0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973)
TABLE_G_2 = {
    1: (1.84, 6.31, 12.71, 13.97, 63.66, 235.80),
    2: (1.32, 2.92, 4.30, 4.53, 9.92, 19.21),
    3: (1.20, 2.35, 3.18, 3.31, 5.84, 9.22),
    5: (1.11, 2.02, 2.57, 2.65, 4.03, 5.51),
    10: (1.05, 1.81, 2.23, 2.28, 3.17, 3.96),
    20: (1.03, 1.72, 2.09, 2.13, 2.85, 3.42),
    50: (1.01, 1.68, 2.01, 2.05, 2.68, 3.16),
    math.inf: (1.000, 1.645, 1.960, 2.000, 2.576, 3.000),
}


@pytest.mark.parametrize("freedom", TABLE_G_2)
def test_the_t_factors_are_those_of_table_g_2(freedom: float) -> None:
    digits = 3 if math.isinf(freedom) else 2
    for fraction, published in zip(FRACTIONS, TABLE_G_2[freedom], strict=True):
        # The table's 95.45 % and 99.73 % stand for 2 and 3 standard deviations, rounded; 235.80 is so too.
        tolerance = max(0.51 * 10**-digits, 1.2e-4 * published)
        assert student_factor(fraction, freedom) == pytest.approx(published, abs=tolerance)


def test_clause_g_4_1_gives_19_degrees_of_freedom_and_2_2_percent() -> None:
    """G.4.1 example, page 73 (from memory): Y = b X1 X2 X3, relative figures in percent."""
    lines = (normal(0.25, 9), normal(0.57, 4), normal(0.82, 14))
    found = combine(budget(*lines, unit="%"), method="law of propagation")
    assert found.standard == pytest.approx(1.03, abs=0.005)
    assert found.degrees_of_freedom == 18  # 18.999 truncated; the example rounds to 19.0
    assert student_factor(0.95, 19) == pytest.approx(2.09, abs=0.005)
    assert found.expanded == pytest.approx(2.2, abs=0.05)
    effective = law_of_propagation(lambda x1, x2, x3: x1 + x2 + x3, lines).degrees_of_freedom
    assert effective == pytest.approx(19.0, abs=0.05)


def end_gauge() -> tuple[BudgetLine, ...]:
    """Table H.1, page 83: lengths in nm, temperatures in degrees C; d by its three parts."""
    return (
        normal(25.0, 18, estimate=50_000_623.0),
        normal(5.8, 24, estimate=215.0),
        normal(3.9, 5),
        normal(6.7, 8),
        within(2e-6, estimate=11.5e-6),
        within(1e-6, degrees_of_freedom=50.0),
        normal(0.2, estimate=-0.1),
        within(0.5, Distribution.ARCSINE),
        within(0.05, degrees_of_freedom=2.0),
    )


def gauge_length(*x: float) -> float:
    standard, d, d1, d2, alpha, d_alpha, mean, cycle, d_theta = x
    return standard + d + d1 + d2 - standard * (d_alpha * (mean + cycle) + alpha * d_theta)


def test_the_end_gauge_of_h_1_has_u_32_nm_and_u99_93_nm() -> None:
    """H.1.5 and H.1.6, pages 82 to 83; the effective degrees of freedom and U99 from memory."""
    found = law_of_propagation(gauge_length, end_gauge())
    assert found.estimate == pytest.approx(50_000_838, abs=0.5)
    assert found.standard == pytest.approx(32, abs=0.5)
    assert [abs(found.contributions[index]) for index in (5, 8)] == pytest.approx([2.9, 16.6], abs=0.05)
    assert math.floor(found.degrees_of_freedom) == 16
    assert student_factor(0.99, 16) == pytest.approx(2.92, abs=0.005)
    assert 32 * student_factor(0.99, 16) == pytest.approx(93, abs=0.5)


def test_terms_of_second_order_raise_h_1_to_34_nm() -> None:
    """H.1.7, page 84: the two terms are 11.7 nm and 1.7 nm, u_c = 34 nm."""
    found = law_of_propagation(gauge_length, end_gauge(), second_order=True)
    assert found.standard == pytest.approx(34, abs=0.5)
    assert found.second_order == pytest.approx(math.hypot(11.7, 1.7), abs=0.2)


SETS = np.array([  # table H.2, page 85: V in volts, I in milliamperes, phi in radians
    (5.007, 19.663, 1.0456),
    (4.994, 19.639, 1.0438),
    (5.005, 19.640, 1.0468),
    (4.990, 19.685, 1.0428),
    (4.999, 19.678, 1.0433),
])  # fmt: skip


def impedance_lines() -> tuple[tuple[BudgetLine, ...], dict[tuple[int, int], float]]:
    means, scatter, r = SETS.mean(0), SETS.std(0, ddof=1) / math.sqrt(5), np.corrcoef(SETS.T)
    lines = tuple(normal(float(u), 4, estimate=float(m)) for m, u in zip(means, scatter, strict=True))
    return lines, {(i, j): float(r[i, j]) for i, j in ((0, 1), (0, 2), (1, 2))}


MODELS = {
    "R": lambda v, i, phi: v / (i / 1000) * math.cos(phi),
    "X": lambda v, i, phi: v / (i / 1000) * math.sin(phi),
    "Z": lambda v, i, phi: v / (i / 1000),
}


def test_resistance_and_reactance_of_h_2_follow_with_correlated_inputs() -> None:
    """Tables H.2 to H.4, pages 85 to 87: estimates, uncertainties and the correlations of the results."""
    lines, pairs = impedance_lines()
    assert [line.standard for line in lines] == pytest.approx([0.0032, 0.0095, 0.00075], rel=0.02)
    assert list(pairs.values()) == pytest.approx([-0.36, 0.86, -0.65], abs=0.005)
    found = {name: law_of_propagation(model, lines, correlations=pairs) for name, model in MODELS.items()}
    assert {n: x.estimate for n, x in found.items()} == pytest.approx(
        {"R": 127.732, "X": 219.847, "Z": 254.260}, abs=0.0006
    )
    assert {n: x.standard for n, x in found.items()} == pytest.approx(
        {"R": 0.071, "X": 0.295, "Z": 0.236}, abs=0.0007
    )
    matrix = correlation_matrix(lines, pairs)
    for first, second, published in (("R", "X", -0.588), ("R", "Z", -0.485), ("X", "Z", 0.993)):
        r = result_correlation(found[first].contributions, found[second].contributions, matrix)
        assert r == pytest.approx(published, abs=0.0006)
    assert math.isnan(found["R"].degrees_of_freedom)  # G.4.1, note 1: not for correlated quantities


@pytest.mark.parametrize(
    ("distribution", "square"),
    [
        (Distribution.RECTANGULAR, 3),
        (Distribution.TRIANGULAR, 6),
        (Distribution.ARCSINE, 2),
    ],
)
def test_a_limit_is_divided_by_the_root_that_its_distribution_asks_for(
    distribution: Distribution, square: int
) -> None:
    """4.3.7 and 4.3.9 (rectangle, triangle), H.1.3.4 (arcsine)."""
    assert within(1.0, distribution).standard ** -2 == pytest.approx(square)
