"""White noise through the simulated analyser as hilkit reads it: filter bandwidths, averages, scatter.

The density of the noise is set by the profile; everything between it and the reading (filter, detector,
averages, block over VISA, integration) is passed through. The seeds are fixed; each tolerance is at least
four standard errors.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hilkit.analysis import band_power, noise_floor, thermal_noise_dbm
from hilkit.instruments import SweepSetup
from hilkit.readings import Trace
from hilkit.sim.receiver import SweepRequest
from hilkit.testing import BenchOnTest
from tests.external.ideal import ideal_bench

DENSITY_DBM_HZ = -130.0
SWEEP = SweepSetup(
    centre_hz=2e9,
    span_hz=20e6,
    points=401,
    rbw_hz=100e3,
    vbw_hz=None,
    detector="rms",
    average_type="power",
    averages=10,
    sweep_time_s=0.4,
    attenuation_db=0.0,
    reference_level_dbm=-40.0,
    preamplifier=False,
)


# As fast as the filter allows, so that a sample is all that a point holds.
SAMPLED = replace(SWEEP, points=1001, detector="sample", averages=400, sweep_time_s=5e-3)


@contextmanager
def noisy_bench(folder: Path, *, shape: str = "gaussian") -> Iterator[BenchOnTest]:
    analyser = {"noise_density": f"{DENSITY_DBM_HZ} dBm/Hz", "filter_shape": shape}
    with ideal_bench(folder, analyser=analyser) as pier:
        pier.connected.analyser.prepare(reference="external")
        yield pier


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BenchOnTest]:
    with noisy_bench(tmp_path_factory.mktemp("noise")) as pier:
        yield pier


def swept(pier: BenchOnTest, setup: SweepSetup) -> Trace:
    pier.connected.analyser.configure(setup)
    return pier.connected.analyser.acquire()


def bandwidth_ratio(trace: Trace) -> float:
    """Return noise bandwidth over RBW: the channel power, too high, of a reader who takes the RBW for it."""
    naive = replace(trace, noise_bandwidth_hz=trace.rbw_hz)
    low_hz, high_hz = trace.frequency_hz[0], trace.frequency_hz[-1]
    power = band_power(naive, low_hz=low_hz, high_hz=high_hz)
    return 10 ** ((power.density_dbm_hz - DENSITY_DBM_HZ) / 10)


# Spectrum Analysis Basics, Application Note 150, p. 67: 1.05 to 1.13 times the 3 dB bandwidth. In that range:
# Gaussian, sqrt(pi/(4 ln 2)) = 1.0645 exactly (arithmetic, no source); four poles tuned alike, 1.128 (from
# memory).
@pytest.mark.parametrize(("shape", "ratio"), [("gaussian", 1.0645), ("four_pole", 1.128)])
def test_channel_power_of_white_noise_shows_the_noise_bandwidth(
    tmp_path: Path, shape: str, ratio: float
) -> None:
    with noisy_bench(tmp_path, shape=shape) as pier:
        found = bandwidth_ratio(swept(pier, SWEEP))
    # 1.505 x 100 kHz x 4 s samples of noise in the whole trace: 0.13 % (one standard deviation).
    assert found == pytest.approx(ratio, rel=0.006)
    assert 1.05 <= found <= 1.13 * 1.006


def test_with_the_bandwidth_of_the_driver_file_the_density_is_that_of_the_profile(bench: BenchOnTest) -> None:
    trace = swept(bench, SWEEP)
    power = band_power(trace, low_hz=1.995e9, high_hz=2.005e9)
    assert power.density_dbm_hz == pytest.approx(DENSITY_DBM_HZ, abs=0.04)
    # kT0B against a noise figure of 44 dB: -174 dBm/Hz (thermal noise at 290 K, common practice) + 44 dB.
    assert power.level_dbm == pytest.approx(thermal_noise_dbm(10e6) + 43.975, abs=0.04)
    assert noise_floor(trace).density_dbm_hz == pytest.approx(DENSITY_DBM_HZ, abs=0.04)


def test_the_correction_for_the_filter_stays_within_the_published_range(bench: BenchOnTest) -> None:
    # Application Note 150, p. 67: the correction from RBW to noise bandwidth is -0.21 to -0.53 dB.
    correction_db = -10 * math.log10(bandwidth_ratio(swept(bench, SWEEP)))
    assert -0.53 <= correction_db <= -0.21


def test_a_log_average_of_noise_reads_two_and_a_half_decibels_low(bench: BenchOnTest) -> None:
    # Application Note 150, pp. 66-68: 2.5 dB; 10 gamma/ln 10 = 2.507 exactly (gamma: Euler's constant).
    power = swept(bench, SAMPLED)
    logged = swept(bench, replace(SAMPLED, average_type="log"))
    low_db = mean_power_dbm(power) - float(np.mean(logged.level_dbm))
    # 5.57 and 4.34 dB over the root of 400 sweeps and some 300 points that share no noise: 0.02 dB.
    assert low_db == pytest.approx(2.51, abs=0.08)
    assert noise_floor(logged).density_dbm_hz == pytest.approx(DENSITY_DBM_HZ, abs=0.1)


def test_a_voltage_average_of_noise_reads_one_decibel_low(bench: BenchOnTest) -> None:
    # Application Note 150, pp. 66 and 68: 1.05 dB, the mean of a Rayleigh distribution. The generic driver
    # has no word for it (SCPI-99 knows RMS and SCALar), so the simulated analyser is asked for it directly.
    reading = swept(bench, SAMPLED)
    level = bench.world.sweep("analyser", request(SAMPLED, average_type="voltage"), ("voltage", 1)).level_dbm
    averaged = replace(reading, level_dbm=level, average_type="voltage")
    assert mean_power_dbm(reading) - mean_power_dbm(averaged) == pytest.approx(1.05, abs=0.06)
    assert noise_floor(averaged).density_dbm_hz == pytest.approx(DENSITY_DBM_HZ, abs=0.1)


def test_the_whole_correction_of_a_log_average_is_two_decibels(bench: BenchOnTest) -> None:
    # Application Note 150, p. 68: with 0.5 dB of noise bandwidth, +2.00 dB for a log average. A Gaussian
    # filter has 0.27 dB, which leaves 2.51 - 0.27 = 2.24 dB.
    logged = swept(bench, replace(SAMPLED, average_type="log"))
    in_rbw_dbm = DENSITY_DBM_HZ + 10 * math.log10(logged.rbw_hz)
    assert in_rbw_dbm - float(np.mean(logged.level_dbm)) == pytest.approx(2.51 - 0.27, abs=0.08)


@pytest.mark.parametrize("samples", [100, 400])
def test_averaged_noise_scatters_by_4_34_over_root_n(bench: BenchOnTest, samples: int) -> None:
    # 4.34/sqrt(N) dB for an average of N independent powers (10/ln 10, first order): common practice, from
    # memory.
    points = 2001
    wide = replace(SWEEP, points=points, span_hz=600e6, averages=1)
    trace = swept(bench, replace(wide, sweep_time_s=samples * points / (1.505 * wide.rbw_hz)))
    assert trace.samples_per_point == pytest.approx(samples, rel=1e-3)
    found_db = float(np.std(trace.level_dbm, ddof=1))
    # The scatter of 2001 points is itself known to 1/sqrt(2 x 2001) = 1.6 %.
    assert found_db == pytest.approx(4.34 / math.sqrt(samples), rel=0.07)


def test_averages_of_sweeps_count_like_samples(bench: BenchOnTest) -> None:
    # As above; 25 sweeps of sample-detected noise, points ten filter widths apart: N = 25.
    setup = replace(SAMPLED, span_hz=1000e6, averages=25, sweep_time_s=0.5)
    trace = swept(bench, setup)
    assert float(np.std(trace.level_dbm, ddof=1)) == pytest.approx(4.34 / 5, rel=0.1)


def mean_power_dbm(trace: Trace) -> float:
    return 10 * math.log10(float(np.mean(10 ** (trace.level_dbm / 10))))


def request(setup: SweepSetup, *, average_type: str) -> SweepRequest:
    """The same sweep in the simulator's own terms."""
    return SweepRequest(
        centre_hz=setup.centre_hz,
        span_hz=setup.span_hz,
        points=setup.points,
        rbw_hz=setup.rbw_hz,
        vbw_hz=10 * setup.rbw_hz,
        detector="sample",
        average_type=average_type,  # type: ignore[arg-type]
        averages=setup.averages,
        sweep_time_s=setup.sweep_time_s,
        attenuation_db=setup.attenuation_db,
        reference_level_dbm=setup.reference_level_dbm,
        external_reference=True,
    )
