"""Budgets of EA-4/02 M:2022, "Evaluation of the uncertainty of measurement in calibration", supplements."""

from __future__ import annotations

import math

import pytest

from hilkit.judgement import combine, trapezoid_factor, welch_satterthwaite
from hilkit.readings import Budget, Distribution
from tests.external.budgets import budget, normal, within

ROOT3 = math.sqrt(3)


def step_attenuator() -> Budget:
    """S7, incremental loss of 30 dB of a coaxial step attenuator at 10 GHz.

    The table calls drift and leakage U-shaped, and divides their limits by the root of 3 all the same.
    """
    readings = (30.033, 30.058, 30.018, 30.052)
    mean = sum(readings) / 4
    scatter = math.sqrt(sum((x - mean) ** 2 for x in readings) / 3 / 4)
    return budget(
        normal(scatter, 3, estimate=mean),
        normal(0.005 / 2, estimate=0.003),
        within(0.002),
        within(0.0283, Distribution.ARCSINE),
        within(0.003),
        within(0.0005),
        within(0.0005),
        normal(0.002),
        normal(0.002),
        unit="dB",
    )


def test_the_step_attenuator_of_s7_agrees_to_every_published_digit() -> None:
    """S7.10 to S7.12: 30.043 dB, u 0.0224 dB, U 0.045 dB; a published solution has u to 15 digits."""
    found = combine(step_attenuator(), probability=0.9545, method="law of propagation")
    assert math.fsum(line.estimate for line in step_attenuator().lines) == pytest.approx(30.04325, abs=5e-6)
    assert found.standard == pytest.approx(0.0224185377162145, rel=1e-13)
    assert found.degrees_of_freedom == 108
    assert round(found.expanded, 3) == 0.045
    assert found.coverage_factor == pytest.approx(2.00, abs=0.03)
    contributions = [line.standard for line in step_attenuator().lines]
    published = [0.0091, 0.0025, 0.0011, 0.0200, 0.0017, 0.0003, 0.0003, 0.0020, 0.0020]
    assert contributions == pytest.approx(published, abs=0.0001)


def test_a_solution_with_k_for_108_degrees_of_freedom_states_0_0444_db() -> None:
    """Student's t at 95 % for S7's degrees of freedom; 1.982 by GTC's k_factor."""
    found = combine(step_attenuator(), method="law of propagation")
    assert found.coverage_factor == pytest.approx(1.982, abs=0.0005)
    assert found.expanded == pytest.approx(0.04444, abs=5e-5)


def test_monte_carlo_spreads_s7_as_the_t_distribution_of_four_readings_asks() -> None:
    """JCGM 101, 6.4.9: an own recomputation gives 29.998 dB to 30.088 dB around 30.043 dB.

    NIST TN 1900 (2015), example E11, scales the t distribution down and comes to 30.006 dB to 30.081 dB.
    """
    found = combine(step_attenuator())
    assert found.method == "Monte Carlo"
    assert 30.0432 + found.interval[0] == pytest.approx(29.998, abs=0.001)
    assert 30.0432 + found.interval[1] == pytest.approx(30.088, abs=0.001)


def test_s2_takes_k_2_08_from_34_degrees_of_freedom() -> None:
    """S2, mass of 10 kg, in mg: u 29.3, U 61 with the k 2.08 that Welch-Satterthwaite gives."""
    lines = (normal(22.5), normal(8.95), normal(14.4, 2), normal(5.77), normal(5.77))
    found = combine(budget(*lines, unit="mg"), probability=0.9545)
    assert found.standard == pytest.approx(29.3, abs=0.05)
    assert found.degrees_of_freedom == 34
    assert found.coverage_factor == pytest.approx(2.08, abs=0.005)
    assert round(found.expanded) == 61


def test_s3_combines_to_8_33_milliohm() -> None:
    """S3, 10 kohm standard resistor, in mohm; the table's inputs are rounded, so to 0.5 %."""
    found = combine(
        budget(*(normal(u) for u in (2.5, 5.8, 1.6, 3.2, 4.1, 0.7)), unit="mohm"), probability=0.9545
    )
    assert found.standard == pytest.approx(8.33, rel=0.005)
    assert found.coverage_factor == pytest.approx(2.00, abs=0.005)
    assert round(found.expanded) == 17


def test_s9_states_50_millivolt_for_one_dominant_rectangle() -> None:
    """S9, hand-held multimeter at 100 V, in mV: k = 1.65, U = 0.05 V."""
    alone = combine(budget(within(50.0), unit="mV"))
    assert round(alone.coverage_factor, 2) == 1.65
    whole = combine(budget(within(50.0), normal(1.0), within(6.4 * ROOT3), unit="mV"))
    assert whole.method == "Monte Carlo"
    assert whole.standard == pytest.approx(30.0, abs=0.5)
    assert whole.expanded == pytest.approx(50, abs=1.0)
    assert "law of propagation would state" in whole.warning


def test_s10_states_60_micrometre_for_two_rectangles() -> None:
    """S10, vernier calliper, in um: two rectangles make a trapezoid with k = 1.83, U = 0.06 mm."""
    assert trapezoid_factor(0.95, 0.33) == pytest.approx(1.83, abs=0.006)
    lines = (normal(0.46), within(1.15 * ROOT3, sensitivity=1.7), within(15 * ROOT3), within(29 * ROOT3))
    found = combine(budget(*lines, unit="um"))
    assert found.standard == pytest.approx(33, abs=0.5)
    assert found.coverage_factor == pytest.approx(1.83, abs=0.02)
    assert found.expanded == pytest.approx(60, abs=0.5)


def test_s11_states_0_3_kelvin_with_k_1_81() -> None:
    """S11, temperature block calibrator, in mK: two dominant rectangles, k = 1.81, U = 0.3 K."""
    rectangles = [within(u * ROOT3) for u in (144.0, 58.0, 29.0, 29.0, 23.0, 17.0)]
    found = combine(budget(normal(15.0), normal(10.0), *rectangles, unit="mK"))
    assert found.standard == pytest.approx(164, abs=0.5)
    assert found.coverage_factor == pytest.approx(1.81, abs=0.025)
    assert found.expanded == pytest.approx(300, abs=5)


def test_s12_takes_k_2_28_from_10_degrees_of_freedom() -> None:
    """S12, household water meter: u 9.1e-4, k 2.28, U 2.0e-3 (2.07e-3 before rounding)."""
    lines = (normal(6e-4, 2), normal(6.8e-4))
    found = combine(budget(*lines), probability=0.9545, method="law of propagation")
    assert found.standard == pytest.approx(9.1e-4, abs=0.05e-4)
    assert found.degrees_of_freedom == 10
    assert found.coverage_factor == pytest.approx(2.28, abs=0.006)
    assert found.expanded == pytest.approx(2.0e-3, abs=0.8e-4)
    assert welch_satterthwaite([6e-4, 6.8e-4], [2, math.inf]) == pytest.approx(10.4, abs=0.05)


@pytest.mark.parametrize(("edge", "published"), [(0, 1.90), (0.33, 1.83), (1, 1.65)])
def test_the_trapezoid_factor_runs_from_triangle_to_rectangle(edge: float, published: float) -> None:
    """S10.13: the factor of a trapezoid; at its ends the triangle and the rectangle of S9."""
    assert trapezoid_factor(0.95, edge) == pytest.approx(published, abs=0.006)
