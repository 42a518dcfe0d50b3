"""Powers, sums, thermal noise and averaging biases against published values."""

import math

import numpy as np
import pytest
from scipy import special, stats

from hilkit.analysis import AVERAGING_BIAS_DB, noise_floor, noise_sd_db, power_sum_dbm, thermal_noise_dbm
from hilkit.quantities import dbm_to_dbuv, dbm_to_w, dbuv_to_dbm, w_to_dbm
from hilkit.readings import Trace

# Arithmetic of the definitions of dBm and of dBuV across 50 ohm (common practice, no source): dBm, W, dBuV.
POWERS = [
    (-174.0, 3.981e-21, -67.010),
    (-100.0, 1e-13, 6.990),
    (-30.0, 1e-6, 76.990),
    (0.0, 1e-3, 106.990),
    (30.0, 1.0, 136.990),
    (43.0, 19.953, 149.990),
    (46.0, 39.811, 152.990),
]


@pytest.mark.parametrize(("dbm", "watt", "dbuv"), POWERS)
def test_levels_watts_and_microvolts_agree_with_the_table(dbm, watt, dbuv):
    assert dbm_to_w(dbm) == pytest.approx(watt, rel=5e-4)
    assert w_to_dbm(watt) == pytest.approx(dbm, abs=2e-3)
    assert dbm_to_dbuv(dbm) == pytest.approx(dbuv, abs=6e-4)
    assert dbuv_to_dbm(dbuv) == pytest.approx(dbm, abs=6e-4)


def test_the_75_ohm_offset_is_108_75_db():
    # Arithmetic of the definition (common practice, no source).
    assert dbm_to_dbuv(0.0, ohm=75.0) == pytest.approx(108.7506, abs=5e-5)


@pytest.mark.parametrize(
    ("first", "second", "total"),
    # Common practice (the table of power sums in every RF handbook), no single source.
    [(0.0, 0.0, 3.0103), (0.0, -3.0, 1.7643), (0.0, -10.0, 0.4139), (0.0, -20.0, 0.0432)],
)
def test_power_sums(first, second, total):
    assert power_sum_dbm([first, second]) == pytest.approx(total, abs=5e-5)


@pytest.mark.parametrize(
    ("bandwidth_hz", "dbm"),
    # k T0 B with the exact SI value of k (BIPM, The International System of Units, 9th edition, 2019, table
    # 1) and T0 = 290 K (IEEE standard noise temperature); '-174 dBm/Hz' is its usual rounding.
    [
        (1.0, -173.975),
        (1e3, -143.975),
        (30e3, -129.204),
        (100e3, -123.975),
        (3.84e6, -108.132),
        (20e6, -100.965),
    ],
)
def test_thermal_noise(bandwidth_hz, dbm):
    assert thermal_noise_dbm(bandwidth_hz) == pytest.approx(dbm, abs=6e-4)


def test_thermal_noise_at_room_temperature():
    # 23 C = 296.15 K; arithmetic of k T B.
    assert thermal_noise_dbm(1.0, 296.15) == pytest.approx(-173.884, abs=6e-4)


def test_what_an_average_of_noise_reads():
    # Spectrum Analysis Basics, Application Note 150, pp. 66-68: 1.05 dB (voltage) and 2.51 dB (decibels) low.
    assert AVERAGING_BIAS_DB["voltage"] == pytest.approx(-1.05, abs=5e-3)
    assert AVERAGING_BIAS_DB["log"] == pytest.approx(-2.51, abs=5e-3)
    assert AVERAGING_BIAS_DB["power"] == 0.0


def test_the_biases_hold_for_noise_that_scipy_draws():
    # A reference library: the amplitude of complex Gaussian noise is Rayleigh distributed, its power
    # exponential.
    power = stats.expon.rvs(size=2_000_000, random_state=20261125)
    log_average = float(np.mean(10 * np.log10(power)))
    voltage_average = 20 * math.log10(float(np.mean(np.sqrt(power))))
    assert AVERAGING_BIAS_DB["log"] == pytest.approx(log_average, abs=0.02)
    assert AVERAGING_BIAS_DB["voltage"] == pytest.approx(voltage_average, abs=0.01)


@pytest.mark.parametrize("count", [100, 1000])
def test_scatter_of_an_averaged_noise_power(count):
    # 4.34/sqrt(N) dB: first order of the exact law, sd of ln of a gamma variable = sqrt(trigamma(N))
    # (Abramowitz and Stegun, Handbook of Mathematical Functions, 6.4).
    exact = 10 / math.log(10) * math.sqrt(float(special.polygamma(1, count)))
    assert noise_sd_db(count) == pytest.approx(4.343 / math.sqrt(count), rel=1e-3)
    assert noise_sd_db(count) == pytest.approx(exact, rel=1e-2)


def noise_trace(average_type: str, averages: int, seed: int) -> Trace:
    rng = np.random.default_rng(seed)
    power = rng.exponential(size=(averages, 1001)) * 1e-9
    if average_type == "power":
        level = 10 * np.log10(power.mean(axis=0))
    elif average_type == "voltage":
        level = 20 * np.log10(np.sqrt(power).mean(axis=0))
    else:
        level = (10 * np.log10(power)).mean(axis=0)
    return Trace(
        frequency_hz=np.linspace(1e9, 1.06e9, 1001),
        level_dbm=level,
        rbw_hz=100e3,
        noise_bandwidth_hz=106.45e3,
        detector="sample",
        average_type=average_type,
        averages=averages,
        sweep_time_s=1e-3,
        attenuation_db=10.0,
        reference_level_dbm=0.0,
    )


@pytest.mark.parametrize("average_type", ["power", "voltage", "log"])
def test_the_floor_of_noise_of_known_power_is_found_whatever_was_averaged(average_type):
    # The noise has a power of 1e-9 mW by construction: -90 dBm. 50 sweeps, 1001 points: scatter of the median
    # below 0.03 dB; 0.15 dB is 5 of them.
    floor = noise_floor(noise_trace(average_type, 50, seed=42))
    assert floor.level_dbm == pytest.approx(-90.0, abs=0.15)
    # Noise bandwidth of a Gaussian filter, 1.0645 B: sqrt(pi / (4 ln 2)), exact; integrated here by itself.
    f = np.linspace(-1e6, 1e6, 200_001)
    width = float(np.trapezoid(2.0 ** (-((2 * f / 100e3) ** 2)), f))
    assert floor.density_dbm_hz == pytest.approx(-90.0 - 10 * math.log10(width), abs=0.16)
