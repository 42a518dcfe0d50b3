"""How many samples, which filter, how long."""

import math

import numpy as np
import pytest

from hilkit.analysis import (
    line_sd_db,
    noise_sd_db,
    rbw_for_floor_hz,
    samples_for_line,
    samples_for_noise,
    sweep_time_s,
)


@pytest.mark.parametrize(("samples", "sd_db"), [(10, 1.37), (100, 0.434), (1000, 0.137)])
def test_a_mean_noise_power_scatters_by_4_34_over_root_n(samples, sd_db):
    # Common practice, no source; the first-order law of 10 log10 of a mean of exponential powers.
    assert noise_sd_db(samples) == pytest.approx(sd_db, abs=0.005)


@pytest.mark.parametrize("snr_db", [15.0, 20.0, 30.0])
def test_the_scatter_of_a_line_is_what_drawn_noise_shows(snr_db):
    rng = np.random.default_rng(7)
    samples, runs = 64, 20_000
    noise = (rng.normal(size=(runs, samples)) + 1j * rng.normal(size=(runs, samples))) / math.sqrt(2)
    power = np.mean(np.abs(10 ** (snr_db / 20) + noise) ** 2, axis=1) - 1
    assert np.std(10 * np.log10(power)) == pytest.approx(line_sd_db(snr_db, samples), rel=0.03)


def test_samples_for_a_scatter_give_that_scatter_and_one_fewer_does_not():
    needed = samples_for_line(15.0, 0.05)
    assert line_sd_db(15.0, needed) <= 0.05 < line_sd_db(15.0, needed - 1)
    assert samples_for_noise(0.5) == math.ceil((10 / math.log(10) / 0.5) ** 2)


def test_a_sweep_of_the_computed_time_has_the_samples_behind_each_point():
    # 1.505 B T: inverse integral of the squared correlation of Gaussian-filtered noise, by quadrature.
    t = np.linspace(-6, 6, 20_001)
    correlation = np.exp(-((np.pi * t) ** 2) / (4 * math.log(2)))
    per_bt = 1 / np.trapezoid(correlation**2, t)
    assert sweep_time_s(samples=200, points=51, rbw_hz=10e3) == pytest.approx(
        200 * 51 / (per_bt * 10e3), rel=1e-3
    )


def test_the_filter_for_a_floor_holds_just_that_much_noise():
    rbw = rbw_for_floor_hz(density_dbm_hz=-150.0, floor_dbm=-100.0, noise_bandwidth_ratio=1.0645)
    assert -150.0 + 10 * math.log10(1.0645 * rbw) == pytest.approx(-100.0)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan])
def test_a_number_of_samples_at_or_under_zero_is_refused(bad):
    with pytest.raises(ValueError, match="must be above 0"):
        noise_sd_db(bad)
