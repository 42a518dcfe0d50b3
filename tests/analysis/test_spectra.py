"""Noise floors."""

import numpy as np
import pytest

from hilkit.analysis import AVERAGING_BIAS_DB, noise_floor, thermal_noise_dbm
from hilkit.errors import MeasurementError
from tests.analysis.synthetic import make_trace


@pytest.mark.parametrize(
    ("bandwidth_hz", "level_dbm"),
    [(1.0, -173.975), (30e3, -129.204), (1e6, -113.975), (3.84e6, -108.132), (20e6, -100.965)],
)
def test_thermal_noise_at_290_kelvin(bandwidth_hz, level_dbm):
    # k of the SI (2019), T0 = 290 K.
    assert thermal_noise_dbm(bandwidth_hz) == pytest.approx(level_dbm, abs=5e-4)


def test_thermal_noise_at_another_temperature():
    assert thermal_noise_dbm(1.0, 300.0) == pytest.approx(-173.828, abs=5e-4)


def test_the_biases_of_averages_are_the_published_ones():
    # Spectrum Analysis Basics, Application Note 150, pp. 66-68: 1.05 dB and 2.5 dB.
    assert AVERAGING_BIAS_DB["voltage"] == pytest.approx(-1.05, abs=0.005)
    assert AVERAGING_BIAS_DB["log"] == pytest.approx(-2.51, abs=0.005)


@pytest.mark.parametrize("average_type", ["power", "voltage", "log"])
def test_the_floor_is_the_noise_power_whatever_was_averaged(average_type):
    trace = make_trace(points=1001, spacing_hz=10e3, samples=100, floor_dbm=-95.0, average_type=average_type)
    floor = noise_floor(trace)
    assert floor.level_dbm == pytest.approx(-95.0, abs=0.08)
    assert floor.density_dbm_hz == pytest.approx(-95.0 - 10 * np.log10(10644.67), abs=0.08)


@pytest.mark.parametrize("samples", [1, 2, 8, 100])
def test_the_floor_is_unbiased_for_few_samples_a_point(samples):
    rng = np.random.default_rng(3)
    found = [
        noise_floor(make_trace(points=1001, spacing_hz=10e3, samples=samples, floor_dbm=-95.0, rng=rng))
        for _ in range(40)
    ]
    assert np.mean([floor.level_dbm for floor in found]) == pytest.approx(-95.0, abs=0.05)
    scatter = np.std([floor.level_dbm for floor in found])
    assert scatter == pytest.approx(np.mean([floor.sd_db for floor in found]), rel=0.4)


def test_lines_do_not_raise_the_floor():
    lines = [(1.85e9 + k * 1e6, -20.0) for k in (-4, -2, 0, 2, 4)]
    trace = make_trace(points=2001, spacing_hz=5e3, samples=20, floor_dbm=-95.0, lines=lines)
    assert noise_floor(trace).level_dbm == pytest.approx(-95.0, abs=0.1)


def test_a_trace_full_of_lines_has_no_floor():
    lines = [(1.85e9 + k * 20e3, -20.0 + k % 3) for k in range(-26, 26)]
    trace = make_trace(points=501, spacing_hz=2e3, samples=400, floor_dbm=-95.0, lines=lines)
    with pytest.raises(MeasurementError, match="no floor visible"):
        noise_floor(trace)
