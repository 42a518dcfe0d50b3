"""Noise figure, cascade, intercept and sensitivity against published examples and closed forms.

Pozar: D. M. Pozar, Microwave Engineering, 4th ed., Wiley, chapter 10.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal, stats

from hilkit.analysis.cascade import Stage, cascade
from hilkit.analysis.intercept import input_intercept_dbm, product_offsets_hz, third_order_slope
from hilkit.analysis.noise_figure import (
    by_gain_k,
    by_y_factor_k,
    enr_at_db,
    first_stage_k,
    hot_k,
    noise_figure_db,
    noise_temperature_k,
    seen_through_k,
    stage_gain_db,
)
from hilkit.analysis.samples import lines_dbfs, noise_density
from hilkit.analysis.sensitivity import Rule, pass_rate_bounds, search
from hilkit.errors import MeasurementError


def watts(dbm: float) -> float:
    return 10 ** (dbm / 10) * 1e-3


def test_the_y_factor_example_of_a_textbook_comes_out() -> None:
    # Pozar, example 10.1, p. 502: -62.0 dBm with 290 K, -64.7 dBm with 77 K; Te = 170 K.
    found = by_y_factor_k(watts(-62.0), watts(-64.7), source_hot_k=290.0, source_cold_k=77.0)
    assert found == pytest.approx(170, abs=0.5)


def test_the_cascade_example_of_a_textbook_comes_out() -> None:
    # Pozar, example 10.2, p. 505: amplifier 10 dB / 2 dB, filter 1 dB, mixer -3 dB / 4 dB; F = 2.55 dB,
    # Te = 232 K; noise at the output 2.08e-13 W = -96.8 dBm with 150 K in 10 MHz; for 20 dB of signal to
    # noise the input is -82.8 dBm. The book rounds the gain to 3.95.
    whole = cascade(
        [
            Stage(name="amplifier", gain_db=10, noise_figure_db=2),
            Stage(name="filter", gain_db=-1, noise_figure_db=1),
            Stage(name="mixer", gain_db=-3, noise_figure_db=4),
        ]
    )
    assert whole.noise_figure_db == pytest.approx(2.55, abs=0.01)
    assert whole.temperature_k == pytest.approx(232, abs=0.5)
    assert whole.output_noise_dbm(source_k=150, bandwidth_hz=10e6) == pytest.approx(-96.8, abs=0.05)
    level = whole.input_level_dbm(signal_to_noise_db=20, source_k=150, bandwidth_hz=10e6)
    assert level == pytest.approx(-82.8, abs=0.05)


def test_a_cascade_example_of_the_web_comes_out() -> None:
    # Public calculator example (noise figures 1.5, 10, 15 dB; gains 20, 15 dB): F = 1.513, 1.80 dB.
    stages = [
        Stage(name="a", gain_db=20, noise_figure_db=1.5),
        Stage(name="b", gain_db=15, noise_figure_db=10),
        Stage(name="c", gain_db=0, noise_figure_db=15),
    ]
    assert cascade(stages).noise_figure_db == pytest.approx(1.80, abs=0.005)


@pytest.mark.parametrize(
    ("y_db", "figure_db"), [(3, 15.021), (5, 11.651), (8, 7.749), (10, 5.458), (12, 3.283)]
)
def test_noise_figure_by_y_with_a_source_of_15_db(y_db: float, figure_db: float) -> None:
    # F = ENR / (Y - 1) for a cold source at 290 K: definition, Pozar section 10.1; figures computed by hand.
    found = by_y_factor_k(10 ** (y_db / 10), 1.0, source_hot_k=hot_k(15.0), source_cold_k=290.0)
    assert noise_figure_db(found) == pytest.approx(figure_db, abs=1e-3)
    assert hot_k(15.0) == pytest.approx(9460.6, abs=0.05)
    assert hot_k(5.2) == pytest.approx(1250.3, abs=0.05)


def test_second_stage_and_cold_temperature_in_a_worked_example() -> None:
    # ENR 15 dB, Y12 = 9 dB, Y2 = 4 dB, G1 = 15 dB: 6.584, 13.205 and 5.938 dB; a cold source at 296.5 K
    # gives 6.560 dB. F1 = F12 - (F2 - 1) / G1 (Pozar, equation 10.21); figures computed by hand.
    def by_y(y_db: float, cold_k: float = 290.0) -> float:
        return by_y_factor_k(10 ** (y_db / 10), 1.0, source_hot_k=hot_k(15.0), source_cold_k=cold_k)

    assert noise_figure_db(by_y(9)) == pytest.approx(6.5844, abs=1e-4)
    assert noise_figure_db(by_y(4)) == pytest.approx(13.2048, abs=1e-4)
    assert noise_figure_db(first_stage_k(by_y(9), by_y(4), 15.0)) == pytest.approx(5.9380, abs=1e-4)
    assert noise_figure_db(by_y(9, 296.5)) == pytest.approx(6.5598, abs=1e-4)


def test_gain_of_the_first_stage_and_the_gain_method_agree_with_the_y_factor() -> None:
    # Powers made from definitions: k (T + Te) G with T1 = 300 K, G1 = 100, T2 = 2000 K, G2 = 1.
    hot, cold = hot_k(15.0), 296.5
    both = [100 * (source + 300) + 2000 for source in (hot, cold)]
    alone = [source + 2000 for source in (hot, cold)]
    gain_db = stage_gain_db(*both, *alone)
    assert gain_db == pytest.approx(20.0)
    t12 = by_y_factor_k(*both, source_hot_k=hot, source_cold_k=cold)
    t2 = by_y_factor_k(*alone, source_hot_k=hot, source_cold_k=cold)
    assert first_stage_k(t12, t2, gain_db) == pytest.approx(300.0)
    boltzmann = 1.380649e-23
    assert by_gain_k(boltzmann * both[1], gain_db, source_k=cold) == pytest.approx(t12)


def test_a_loss_at_its_own_temperature_has_the_noise_figure_of_its_loss() -> None:
    # Pozar section 10.1: F = L for a lossy line at 290 K. Seen from behind, 290 K stays 290 K.
    assert noise_temperature_k(6.0) == pytest.approx(290 * (10**0.6 - 1))
    assert seen_through_k(290.0, 6.0, 290.0) == pytest.approx(290.0)
    assert seen_through_k(hot_k(15.0), 6.0, 290.0) == pytest.approx(290 * (1 + 10**0.9), rel=1e-9)


def test_intercept_relations() -> None:
    # Pozar problem 10.12: IP3 = P + delta / 2; 0 dBm and 40 dB give 20 dBm, -10 and 60 give 20 dBm.
    assert input_intercept_dbm(0.0, -3.0, -43.0) == pytest.approx(20.0)
    assert input_intercept_dbm(-10.0, -6.0, -66.0) == pytest.approx(20.0)


def test_a_pure_cubic_read_from_its_samples_has_the_intercept_of_its_coefficients() -> None:
    # Envelope form y = z - c |z|^2 z: two tones of amplitude a give products of c a^3 (Rice identity of
    # cosines), tone and product equal where a^2 = 1 / c.
    rate, count, c = 61.44e6, 16384, 0.02
    lower, upper = 3.1e6, 4.3e6
    t = np.arange(count) / rate
    low, high = product_offsets_hz(lower, upper)
    products = []
    for db in (-50.0, -40.0):
        a = 10 ** (db / 20)
        z = a * (np.exp(2j * np.pi * lower * t) + np.exp(2j * np.pi * upper * t))
        levels = lines_dbfs(z - c * np.abs(z) ** 2 * z, rate, (lower, upper, low, high))
        assert input_intercept_dbm(db, levels[0], levels[2]) == pytest.approx(-10 * math.log10(c), abs=0.01)
        products.append(levels[3])
    assert third_order_slope(products[0], products[1], 10.0) == pytest.approx(3.0, abs=0.01)


def test_noise_density_of_a_block_agrees_with_scipy() -> None:
    # scipy.signal.welch as a second opinion, and the density that the noise was made with: 1 / rate.
    rng = np.random.default_rng(3)
    rate, count = 20e6, 65536
    noise = (rng.standard_normal(count) + 1j * rng.standard_normal(count)) / math.sqrt(2)
    t = np.arange(count) / rate
    block = noise + 30 * np.exp(2j * np.pi * 4.2e6 * t) + 5.0
    found = noise_density(block, rate, band_hz=(-8e6, 8e6), without_hz=(4.2e6,))
    assert found.density * rate == pytest.approx(1.0, abs=4 * found.relative_sd)
    assert found.relative_sd == pytest.approx(math.sqrt(2.4 / (0.8 * count)), rel=0.2)
    frequency, density = signal.welch(noise, rate, nperseg=2048, return_onesided=False)
    used = np.abs(frequency) < 8e6
    assert found.density == pytest.approx(float(density[used].mean()), rel=0.02)


@pytest.mark.parametrize(("passed", "sent"), [(0, 10), (190, 200), (200, 200), (95, 100)])
def test_bounds_of_a_pass_rate_equal_those_of_scipy(passed: int, sent: int) -> None:
    # Clopper and Pearson, Biometrika 26 (1934) 404; scipy.stats as the second opinion.
    interval = stats.binomtest(passed, sent).proportion_ci(confidence_level=0.9, method="exact")
    lower, upper = pass_rate_bounds(passed, sent, 0.05)
    assert (lower, upper) == (pytest.approx(interval.low), pytest.approx(interval.high))


def test_no_failure_in_so_many_frames_shows_what_the_rule_of_three_says() -> None:
    # Hanley and Lippman-Hand, JAMA 249 (1983) 1743: no event in n leaves 3 / n at 95 %.
    lower, _ = pass_rate_bounds(300, 300, 0.05)
    assert 1 - lower == pytest.approx(3 / 300, rel=0.01)


def test_a_search_is_wrong_less_often_than_it_states() -> None:
    """The crossing lies outside what was found no more often than stated, over 400 searches."""
    rng = np.random.default_rng(11)
    rule, required = Rule(required=0.95, error=0.05), 0.95
    wrong, widths = 0, []
    for _ in range(400):
        crossing = rng.uniform(-101.0, -99.0)

        def count(level_dbm: float, frames: int, crossing: float = crossing) -> int:
            rate = stats_free_rate(level_dbm - crossing, required)
            return int(rng.binomial(frames, rate))

        found = search(count, low_dbm=-110, high_dbm=-90, step_db=0.25, rule=rule)
        wrong += not found.fails_dbm <= crossing <= found.passes_dbm
        widths.append(found.passes_dbm - found.fails_dbm)
    # 5 % of 400 are 20; more than 29 would come by chance in 2 % of cases.
    assert wrong <= 29
    assert np.median(widths) < 1.5


def stats_free_rate(above_db: float, required: float) -> float:
    """Pass rate that is ``required`` at 0 dB and falls to a half within about 1 dB below."""
    return 1 / (1 + math.exp(-3.0 * above_db - math.log(required / (1 - required))))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: by_y_factor_k(1.0, 1.0, source_hot_k=9460.0, source_cold_k=290.0), "no more noise on"),
        (lambda: by_y_factor_k(0.9, 1.0, source_hot_k=9460.0, source_cold_k=290.0), "Y is -0.458 dB"),
        (lambda: by_y_factor_k(40.0, 1.0, source_hot_k=9460.0, source_cold_k=290.0), "without any noise"),
        (lambda: by_y_factor_k(0.0, 0.0, source_hot_k=9460.0, source_cold_k=290.0), "give no Y factor"),
        (lambda: enr_at_db(4e9, [1e9, 3e9], [15.0, 15.2]), "no ENR at 4000 MHz"),
        (lambda: enr_at_db(4e9, [], []), "no frequency"),
        (lambda: first_stage_k(300.0, 2000.0, 3.0), "nothing is left"),
        (lambda: by_gain_k(1e-21, 0.0, source_k=290.0), "less than its termination"),
        (lambda: input_intercept_dbm(-30.0, -10.0, -9.0), "no small signal"),
        (lambda: lines_dbfs(np.zeros(100), 1e6, (1e5,)), "too short"),
        (lambda: lines_dbfs(np.zeros(1000), 1e6, (6e5,)), "outside samples"),
        (lambda: lines_dbfs(np.zeros(1000), 1e6, (1e5, 1.001e5)), "apart"),
        (lambda: noise_density(np.ones(1000), 1e6, band_hz=(0, 1e4)), "values of the spectrum are left"),
    ],
)
def test_what_cannot_be_measured_is_said_in_words(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(MeasurementError, match=words):
        call()
