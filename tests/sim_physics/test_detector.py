"""Detector and averaging statistics against published figures.

The seeds are fixed; each tolerance is at least four standard errors of the figure that it guards.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from hilkit.sim.detector import Dwell, detect
from hilkit.sim.noise import generator

POINTS = 200_000
ALONE = Dwell(bandwidth_hz=1e5, point_s=1e-5)
"""So short that each point holds one sample; see ``apart`` for points whose noise is independent."""


def apart(samples: float, sweeps: int = 1) -> Dwell:
    """Points that hold ``samples`` independent samples each."""
    return Dwell(bandwidth_hz=1e5, point_s=samples / 1.505e5, sweeps=sweeps)


def read_db(
    dwell: Dwell,
    detector: str,
    average: str,
    *,
    signal: float = 0.0,
    noise: float = 1.0,
    points: int = POINTS,
) -> np.ndarray:
    rng = generator(7, detector, average, repr(dwell), signal)
    steady = np.full(points, signal)
    return 10 * np.log10(detect(steady, np.full(points, noise), dwell, detector, average, rng))


def mean_db(levels: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(10 ** (levels / 10))))


@pytest.mark.parametrize("detector", ["rms", "sample"])
def test_power_averages_read_the_true_noise_power(detector: str) -> None:
    assert mean_db(read_db(apart(8), detector, "power")) == pytest.approx(0, abs=0.04)


def test_a_log_average_of_noise_reads_two_and_a_half_decibels_low() -> None:
    # Application Note 150, p. 66: 2.5 dB; exactly 10 gamma/ln 10 = 2.50682.
    levels = read_db(apart(8, sweeps=400), "sample", "log", points=500)
    assert float(np.mean(levels)) == pytest.approx(-2.5068, abs=0.05)


def test_a_voltage_average_of_noise_reads_one_decibel_low() -> None:
    # Application Note 150, pp. 66 and 68: 1.05 dB; exactly 10 log10(pi/4) = -1.0491.
    levels = read_db(apart(8, sweeps=400), "sample", "voltage", points=500)
    assert mean_db(levels) == pytest.approx(-1.0491, abs=0.05)


@pytest.mark.parametrize("number", [10, 100, 1000])
def test_the_scatter_of_a_power_average_is_four_point_three_four_over_root_n(number: int) -> None:
    # 10/ln 10 = 4.343 dB over sqrt(N), first order; at N = 10 the exact figure is 1.409 dB.
    exact = {10: 1.409}.get(number, 4.343 / math.sqrt(number))
    assert float(np.std(read_db(apart(number), "rms", "power"))) == pytest.approx(exact, rel=0.015)


def test_averages_count_like_samples() -> None:
    assert float(np.std(read_db(apart(10, sweeps=10), "rms", "power"))) == pytest.approx(0.4367, rel=0.015)


def test_the_scatter_of_a_single_log_reading_is_five_point_five_seven() -> None:
    # (10/ln 10) pi/sqrt 6 = 5.570 dB: standard deviation of the logarithm of an exponential power.
    assert float(np.std(read_db(apart(8), "sample", "log"))) == pytest.approx(5.570, rel=0.02)


# Power detector on a line in noise: 10 log10(1 + 1/SNR); log average: 4.3429 E1(SNR) above the line
# (exponential
# integral; the 3 dB and 6 dB rows of the usual table of log-detection errors).
@pytest.mark.parametrize(
    ("snr_db", "power_error", "log_error"), [(0, 3.010, 0.953), (3, 1.764, 0.214), (6, 0.973, 0.017)]
)
def test_a_line_near_the_noise_reads_high_as_tabulated(
    snr_db: float, power_error: float, log_error: float
) -> None:
    signal = 10 ** (snr_db / 10)
    power = mean_db(read_db(apart(8), "rms", "power", signal=signal)) - snr_db
    logged = (
        float(np.mean(read_db(apart(8, sweeps=200), "sample", "log", signal=signal, points=2000))) - snr_db
    )
    assert power == pytest.approx(power_error, abs=0.03)
    assert logged == pytest.approx(log_error, abs=0.05)


def test_the_scatter_of_a_line_in_noise_is_that_of_its_samples() -> None:
    # 4.343 sqrt((2S + 1)/K)/S for K samples of a line S above noise, first order.
    levels = read_db(apart(32), "rms", "power", signal=100.0)
    assert float(np.std(levels)) == pytest.approx(4.343 * math.sqrt(201 / 32) / 100, rel=0.02)


@pytest.mark.parametrize("samples", [8, 75, 500])
def test_the_peak_of_noise_is_the_largest_of_its_samples(samples: int) -> None:
    # The largest of K exponential powers has the mean 1 + 1/2 + ... + 1/K.
    harmonic = float(np.sum(1 / np.arange(1, samples + 1)))
    assert mean_db(read_db(apart(samples), "peak", "none", points=5000)) == pytest.approx(
        10 * math.log10(harmonic), abs=0.1
    )


def test_the_negative_peak_lies_below() -> None:
    # The smallest of K exponential powers has the mean 1/K.
    assert mean_db(read_db(apart(8), "negative", "none", points=50_000)) == pytest.approx(-9.03, abs=0.1)


def test_a_line_without_noise_reads_itself_in_every_mode() -> None:
    for detector in ("rms", "sample", "peak", "negative"):
        for average in ("power", "log", "voltage", "none"):
            levels = read_db(apart(8, sweeps=3), detector, average, signal=2.0, noise=0.0, points=5)
            assert levels == pytest.approx([3.0103] * 5, abs=1e-4)


def test_points_closer_than_the_filter_settles_share_their_noise() -> None:
    rng = generator(3, "correlation")
    dwell = Dwell(bandwidth_hz=1e5, point_s=2e-6)
    power = detect(np.zeros(POINTS), np.ones(POINTS), dwell, "rms", "power", rng)
    for lag in (1, 3, 6):
        # Powers of Gaussian noise correlate as the square of its own correlation, exp(-(pi B t)^2 / (4 ln
        # 2)).
        expected = math.exp(-2 * (math.pi * 0.2 * lag) ** 2 / (4 * math.log(2)))
        assert float(np.corrcoef(power[:-lag], power[lag:])[0, 1]) == pytest.approx(expected, abs=0.02)
    assert float(np.mean(power)) == pytest.approx(1.0, abs=0.03)


def test_independent_points_share_nothing() -> None:
    levels = read_db(apart(8), "rms", "power")
    assert float(np.corrcoef(levels[:-1], levels[1:])[0, 1]) == pytest.approx(0, abs=0.01)


def test_a_narrow_video_filter_smooths() -> None:
    wide = Dwell(bandwidth_hz=1e5, point_s=8 / 1.505e5, video_hz=1e6)
    narrow = Dwell(bandwidth_hz=1e5, point_s=8 / 1.505e5, video_hz=1e3)
    wide_sd, narrow_sd = (float(np.std(read_db(d, "sample", "log", points=20_000))) for d in (wide, narrow))
    assert narrow_sd < wide_sd / 4
