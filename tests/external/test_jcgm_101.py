"""Examples of JCGM 101:2008, clause 9, and others for which Monte Carlo results are published."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from hilkit.judgement import combine, law_of_propagation, propagate
from hilkit.readings import BudgetLine, Distribution
from tests.external.budgets import budget, normal, within

ROOT3 = math.sqrt(3)
TRIALS = 1_000_000


def test_four_normal_quantities_give_3_92() -> None:
    """9.2.2: four quantities N(0, 1), u 2.00, 95 % interval +-3.92."""
    found = combine(budget(*[normal(1.0)] * 4))
    assert found.method == "law of propagation"
    assert (found.standard, found.expanded) == pytest.approx((2.00, 3.92), abs=0.005)


def test_four_equal_rectangles_give_3_88() -> None:
    """9.2.3: u 2.00, +-3.88 by Monte Carlo where the law of propagation says +-3.92; 3.87941 exactly."""
    found = combine(budget(*[within(ROOT3)] * 4))
    assert found.method == "Monte Carlo"
    assert found.standard == pytest.approx(2.00)
    assert found.expanded == pytest.approx(3.88, abs=0.02)
    assert combine(budget(*[within(ROOT3)] * 4), method="law of propagation").expanded == pytest.approx(
        3.92, abs=0.005
    )


def test_one_dominant_rectangle_gives_17_0_and_the_difference_is_told() -> None:
    """9.2.4: the law of propagation says +-19.9, Monte Carlo +-17.0, u 10.1."""
    lines = [within(ROOT3)] * 3 + [within(10 * ROOT3)]
    found = combine(budget(*lines))
    assert found.expanded == pytest.approx(17.0, abs=0.1)
    assert found.standard == pytest.approx(10.1, abs=0.06)
    assert "+-19.9" in found.warning
    assert "JCGM 101, 8.1" in found.warning
    general = propagate(lambda *x: sum(x), lines, trials=TRIALS)
    assert general.interval == pytest.approx((-17.0, 17.0), abs=0.05)


def mass() -> tuple[BudgetLine, ...]:
    """Table 5 (mg and kg/m3)."""
    return (
        normal(0.050, estimate=100_000.000),
        normal(0.020, estimate=1.234),
        within(0.10, estimate=1.20),
        within(1000.0, estimate=8000.0),
        within(50.0, estimate=8000.0),
    )


def deviation(m_r: Any, dm_r: Any, rho_a: Any, rho_w: Any, rho_r: Any) -> Any:
    return (m_r + dm_r) * (1 + (rho_a - 1.2) * (1 / rho_w - 1 / rho_r)) - 100_000


def test_the_mass_calibration_needs_more_than_the_first_order() -> None:
    """9.3, table 6: u 0.0539 mg to first order, 0.0750 mg to second, 0.0754 mg by Monte Carlo."""
    assert law_of_propagation(deviation, mass()).standard == pytest.approx(0.0539, abs=5e-5)
    second = law_of_propagation(deviation, mass(), second_order=True)
    assert second.standard == pytest.approx(0.0750, abs=5e-5)
    trials = propagate(deviation, mass(), trials=TRIALS)
    assert trials.standard == pytest.approx(0.0754, abs=2e-4)
    assert trials.estimate == pytest.approx(1.234, abs=5e-4)


def loss(x1: Any, x2: Any) -> Any:
    return x1**2 + x2**2


COMPARISON_LOSS = [  # 9.4, tables 7 and 8, all in 1e-6; the intervals from memory
    (0.000, 50, 50, 0, 50, (0, 150)),
    (0.010, 150, 112, 100, 112, (0, 367)),
    (0.050, 2550, 502, 500, 502, (1590, 3543)),
]


@pytest.mark.parametrize(("x1", "mean", "u", "first", "second", "interval"), COMPARISON_LOSS)
def test_comparison_loss_in_a_power_meter_calibration(
    x1: float, mean: float, u: float, first: float, second: float, interval: tuple[float, float]
) -> None:
    """9.4: dY = X1^2 + X2^2 near a perfect match, where the first order says that there is no uncertainty."""
    lines = (normal(0.005, estimate=x1), normal(0.005))
    found = propagate(loss, lines, interval="shortest", trials=TRIALS)
    assert (found.estimate * 1e6, found.standard * 1e6) == pytest.approx((mean, u), abs=0.5 + u / 300)
    tolerance = 0.02 * (interval[1] - interval[0])  # a shortest interval is flat: it wanders by a percent
    assert tuple(1e6 * end for end in found.interval) == pytest.approx(interval, abs=tolerance)
    assert law_of_propagation(loss, lines).standard * 1e6 == pytest.approx(first, abs=0.5)
    more = law_of_propagation(loss, lines, second_order=True)
    assert more.standard * 1e6 == pytest.approx(second, abs=0.5)


def test_comparison_loss_with_correlated_reflections() -> None:
    """9.4.3, table 8 (from memory): u 67e-6 at a perfect match with r = 0.9; exactly 2 u^2 sqrt(1 + r^2)."""
    lines = (normal(0.005), normal(0.005))
    found = propagate(loss, lines, correlations={(0, 1): 0.9}, trials=TRIALS)
    assert (found.estimate * 1e6, found.standard * 1e6) == pytest.approx((50, 67.3), abs=0.5)


def test_equal_tails_differ_from_the_shortest_interval() -> None:
    """9.4 at x1 = 0: a scaled chi-squared of two degrees of freedom, -2 u^2 ln(1 - p), in closed form."""
    lines = (normal(0.005), normal(0.005))
    found = propagate(loss, lines, trials=TRIALS)
    exact = tuple(-50 * math.log(1 - p) for p in (0.025, 0.975))
    assert tuple(1e6 * end for end in found.interval) == pytest.approx(exact, abs=1.0)


def test_the_gauge_block_has_36_nm_by_monte_carlo() -> None:
    """9.5, tables 10 and 11: 838 nm with u 32 nm by the law of propagation and 36 nm by Monte Carlo.

    The limits of two rectangles are themselves known to 10 % and 50 %: 50 and 2 degrees of freedom.
    """
    lines = (
        normal(25.0, 18, estimate=50_000_623.0),
        normal(6.0, 24, estimate=215.0),
        normal(4.0, 5),
        normal(7.0, 8),
        within(2e-6, estimate=11.5e-6),
        normal(0.2, estimate=-0.1),
        within(0.5, Distribution.ARCSINE),
        within(1e-6, degrees_of_freedom=50.0),
        within(0.05, degrees_of_freedom=2.0),
    )

    def length(ls: Any, d: Any, d1: Any, d2: Any, alpha: Any, mean: Any, cycle: Any, da: Any, dt: Any) -> Any:
        return ls + d + d1 + d2 - ls * (da * (mean + cycle) + alpha * dt) - 50_000_000

    found = propagate(length, lines, trials=TRIALS)
    assert found.estimate == pytest.approx(838, abs=0.5)
    assert found.standard == pytest.approx(36, abs=0.5)
    assert law_of_propagation(length, lines).standard == pytest.approx(32, abs=0.5)


def test_the_adaptive_procedure_stops_when_two_digits_are_steady() -> None:
    """7.9: for a normal quantity with u = 1.0 the tolerance is 0.05, reached long before a million trials."""
    found = propagate(lambda x: x, [normal(1.0)])
    assert found.settled
    assert found.tolerance == 0.05
    assert found.trials == 100_000
    assert found.interval == pytest.approx((-1.96, 1.96), abs=0.05)


def test_the_reflection_of_a_load_through_a_network_is_as_in_tn_1900() -> None:
    """NIST Technical Note 1900 (2015), example E15: G = S22 - S12 S23 / S13 has u 0.0050 and 0.0045."""
    figures = [
        (0.24776, 0.00337), (4.88683, 0.01392), (0.49935, 0.00340), (4.78595, 0.00835),
        (0.24971, 0.00170), (4.85989, 0.00842), (0.49952, 0.00340), (4.79054, 0.00835),
    ]  # fmt: skip
    lines = [normal(u, estimate=at) for at, u in figures]

    def reflection(*x: Any) -> Any:
        s22, s12, s23, s13 = (x[i] * np.exp(1j * x[i + 1]) for i in (0, 2, 4, 6))
        return s22 - s12 * s23 / s13

    real = propagate(lambda *x: reflection(*x).real, lines, trials=200_000)
    imaginary = propagate(lambda *x: reflection(*x).imag, lines, trials=200_000)
    assert (real.estimate, imaginary.estimate) == pytest.approx((0.0074, 0.0031), abs=1e-4)
    assert (real.standard, imaginary.standard) == pytest.approx((0.0050, 0.0045), abs=1e-4)
