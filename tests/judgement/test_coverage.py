"""The stated interval holds the true value as often as it says, whatever the shape of the budget.

Each check draws true errors from the stated distributions and counts how often they lie inside. Of 2,000 runs
at 95 % the share lies in 93.35 % to 96.55 % with 99.9 % probability (binomial).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from hilkit.judgement import (
    UncertaintyError,
    combine,
    numerical_tolerance,
    student_factor,
    trapezoid_factor,
    welch_satterthwaite,
)
from hilkit.judgement.coverage import SampledSpread, StudentSpread
from tests.judgement.lines import budget, normal, ripple, within

RUNS = 2000
BAND = (0.9335, 0.9655)


def generator() -> np.random.Generator:
    return np.random.default_rng(20)


def test_a_normal_budget_covers_95_percent() -> None:
    found = combine(budget(normal(0.1), normal(0.2)))
    draw = generator()
    errors = draw.normal(0, 0.1, RUNS) + draw.normal(0, 0.2, RUNS)
    assert BAND[0] < np.mean(np.abs(errors) <= found.expanded) < BAND[1]
    assert found.method == "law of propagation"


def test_a_dominant_rectangle_covers_95_percent_where_k_2_would_cover_all() -> None:
    found = combine(budget(within(0.3), normal(0.02)))
    draw = generator()
    errors = draw.uniform(-0.3, 0.3, RUNS) + draw.normal(0, 0.02, RUNS)
    assert BAND[0] < np.mean(np.abs(errors) <= found.expanded) < BAND[1]
    assert np.mean(np.abs(errors) <= 2 * found.standard) > 0.998


def test_a_dominant_u_shape_covers_95_percent_where_k_2_would_cover_all() -> None:
    found = combine(budget(ripple(0.3), normal(0.02)))
    draw = generator()
    errors = 0.3 * np.cos(draw.uniform(0, math.pi, RUNS)) + draw.normal(0, 0.02, RUNS)
    assert BAND[0] < np.mean(np.abs(errors) <= found.expanded) < BAND[1]
    assert np.mean(np.abs(errors) <= 2 * found.standard) > 0.99


def test_three_readings_of_scatter_cover_95_percent_where_k_2_would_cover_82() -> None:
    readings = generator().normal(0, 0.1, (RUNS, 3))
    errors, scatter = readings.mean(1), readings.std(1, ddof=1) / math.sqrt(3)
    stated = [combine(budget(normal(float(u), 2))).expanded for u in scatter]
    assert BAND[0] < np.mean(np.abs(errors) <= stated) < BAND[1]
    assert np.mean(np.abs(errors) <= 2 * scatter) < 0.85


@pytest.mark.parametrize(("count", "most"), [(3, 0.98), (5, 0.98), (10, BAND[1])])
def test_scatter_beside_a_rectangle_covers_95_percent_and_not_much_more(count: int, most: float) -> None:
    """Up to 98 % where fewer than 9 degrees of freedom meet another shape; Welch-Satterthwaite has 92 %."""
    draw = generator()
    readings = draw.normal(0, 0.1, (RUNS, count))
    errors = readings.mean(1) + draw.uniform(-0.1, 0.1, RUNS)
    scatter = readings.std(1, ddof=1) / math.sqrt(count)
    stated = [combine(budget(normal(float(u), count - 1), within(0.1))).expanded for u in scatter]
    assert BAND[0] < np.mean(np.abs(errors) <= stated) < most


def test_three_readings_beside_a_calibration_cover_95_percent_where_welch_satterthwaite_does_not() -> None:
    draw = generator()
    readings = draw.normal(0, 0.1, (RUNS, 3))
    errors = readings.mean(1) + draw.normal(0, 0.03, RUNS)
    scatter = readings.std(1, ddof=1) / math.sqrt(3)
    budgets = [budget(normal(float(u), 2), normal(0.03)) for u in scatter]
    stated = [combine(each).expanded for each in budgets]
    by_law = [combine(each, method="law of propagation").expanded for each in budgets]
    assert np.mean(np.abs(errors) <= by_law) < BAND[0]
    assert BAND[0] < np.mean(np.abs(errors) <= stated) < 0.98


def test_a_level_budget_of_all_shapes_covers_95_percent() -> None:
    """Level +-0.3 dB, mismatch +-0.12 dB, calibration 0.05 dB, five sweeps with a scatter of 0.1 dB."""
    draw = generator()
    readings = draw.normal(0, 0.1, (RUNS, 5))
    errors = readings.mean(1) + draw.uniform(-0.3, 0.3, RUNS) + draw.normal(0, 0.05, RUNS)
    errors += 0.12 * np.cos(draw.uniform(0, math.pi, RUNS))
    scatter = readings.std(1, ddof=1) / math.sqrt(5)
    known = (within(0.3), ripple(0.12), normal(0.05))
    stated = [combine(budget(*known, normal(float(u), 4))).expanded for u in scatter]
    assert BAND[0] < np.mean(np.abs(errors) <= stated) < BAND[1]


@pytest.mark.parametrize(
    ("standard", "tolerance"), [(0.0224, 0.0005), (0.99, 0.005), (1.04, 0.05), (32.0, 0.5), (0.0, 0.0)]
)
def test_the_tolerance_is_half_the_last_of_two_digits(standard: float, tolerance: float) -> None:
    """JCGM 101:2008, 7.9.2 with its examples' way of counting; 35 g with two digits has 0.5 g."""
    assert numerical_tolerance(standard) == pytest.approx(tolerance)


def test_welch_satterthwaite_of_one_scatter_is_its_own_and_of_none_is_unlimited() -> None:
    assert welch_satterthwaite([0.3], [4]) == pytest.approx(4)
    assert welch_satterthwaite([0.3, 0.1], [math.inf, math.inf]) == math.inf
    assert welch_satterthwaite([1, 1], [4, 4]) == pytest.approx(8)


def test_a_trapezoid_of_equal_edge_and_base_is_straight_in_the_probability() -> None:
    assert trapezoid_factor(0.95, 1.0) == pytest.approx(0.95 * math.sqrt(3))
    assert trapezoid_factor(0.95, 0.95) == pytest.approx(trapezoid_factor(0.95, 0.90), abs=0.03)
    draw = generator()
    sums = 0.96 * draw.uniform(-1, 1, 400_000) + 0.04 * draw.uniform(-1, 1, 400_000)
    inside = trapezoid_factor(0.95, 0.92) * sums.std()
    assert np.mean(np.abs(sums) <= inside) == pytest.approx(0.95, abs=0.002)


@pytest.mark.parametrize("probability", [0.0, 1.0, -0.5, 95.0, math.nan])
def test_a_coverage_probability_lies_between_0_and_1(probability: float) -> None:
    with pytest.raises(UncertaintyError, match="between 0 and 1"):
        student_factor(probability)


def test_a_trapezoid_has_its_edge_inside_its_base() -> None:
    with pytest.raises(UncertaintyError, match="0 to 1 times its base"):
        trapezoid_factor(0.95, 1.2)


@pytest.mark.parametrize("freedom", [1, 2, 5, 30, math.inf])
def test_a_quantile_is_the_inverse_of_the_probability(freedom: float) -> None:
    spread = StudentSpread(freedom)
    for p in (0.001, 0.1, 0.5, 0.975):
        assert spread.probability_below(spread.quantile(p)) == pytest.approx(p)


def test_a_sampled_spread_is_symmetric_and_ends_where_its_samples_end() -> None:
    spread = SampledSpread.of(np.abs(generator().uniform(-1, 1, 100_000)))
    assert spread.probability_below(0.5) == pytest.approx(0.75, abs=0.005)
    assert spread.probability_below(-0.5) == pytest.approx(0.25, abs=0.005)
    assert (spread.probability_below(-1.5), spread.probability_below(1.5)) == (0.0, 1.0)
    assert spread.quantile(0.975) == pytest.approx(0.95, abs=0.005)
    assert spread.quantile(0.025) == -spread.quantile(0.975)
    assert spread.quantile(0.5) == pytest.approx(0.0, abs=0.001)
