"""Resolution filters: published noise bandwidths, shape, and the swept response worked out in time."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hilkit.sim.filters import resolution_filter, sweep_loss


# Ideal Gaussian: sqrt(pi/(4 ln 2)) = 1.0645. Four synchronously tuned poles: 1.128. Application Note 150
# "Spectrum
# Analysis Basics", p. 67, gives 1.05 to 1.13 as the range of real filters.
@pytest.mark.parametrize(("shape", "ratio"), [("gaussian", 1.0645), ("four_pole", 1.1285)])
def test_noise_bandwidth_over_width_is_as_published(shape: str, ratio: float) -> None:
    shaped = resolution_filter(shape, 100e3)  # type: ignore[arg-type]
    assert shaped.noise_bandwidth_hz / 100e3 == pytest.approx(ratio, abs=1e-4)


@pytest.mark.parametrize("shape", ["gaussian", "four_pole"])
def test_half_the_width_away_the_response_is_three_decibels_down(shape: str) -> None:
    shaped = resolution_filter(shape, 30e3)  # type: ignore[arg-type]
    assert shaped.response(np.array([0.0, 15e3, -15e3])) == pytest.approx([1.0, 0.5, 0.5])


# Shape factor 60 dB/3 dB: 4.464 for a Gaussian and 12.7 for four poles (from the responses themselves).
@pytest.mark.parametrize(("shape", "factor"), [("gaussian", 4.464), ("four_pole", 12.7)])
def test_the_shape_factor_is_that_of_the_filter(shape: str, factor: float) -> None:
    shaped = resolution_filter(shape, 1.0)  # type: ignore[arg-type]
    axis = np.linspace(0, 10, 100_001)
    edge = axis[np.argmin(np.abs(10 * np.log10(shaped.response(axis)) + 60))]
    assert 2 * edge == pytest.approx(factor, rel=0.005)


@pytest.mark.parametrize("shape", ["gaussian", "four_pole"])
def test_many_lines_through_the_filter_are_the_sum_of_single_lines(shape: str) -> None:
    shaped = resolution_filter(shape, 100e3)  # type: ignore[arg-type]
    axis = np.linspace(-30e6, 30e6, 1001)
    frequency, power = np.array([-7.5e6, 0.013e6, 7.5e6, 29.99e6]), np.array([1e-9, 3e-9, 1e-4, 1e-7])
    direct = sum(p * shaped.response(axis - f) for f, p in zip(frequency, power, strict=True))
    assert np.allclose(shaped.through(axis, frequency, power), direct, rtol=1e-9, atol=1e-20)


def test_a_flat_density_reads_its_noise_bandwidth() -> None:
    shaped = resolution_filter("gaussian", 100e3)
    grid = np.linspace(-50e6, 50e6, 4096)
    read = shaped.smooth(np.array([0.0, 3e6]), grid, np.full(4096, 1e-15))
    assert read == pytest.approx([1e-15 * shaped.noise_bandwidth_hz] * 2, rel=1e-6)


@pytest.mark.parametrize("speed", [0.5, 1.0, 3.0])
def test_a_fast_sweep_reads_low_and_wide_as_a_chirp_through_the_filter_does(speed: float) -> None:
    width, duration, rate_hz = 1.0, 60.0, 800.0
    time = np.arange(-duration, duration, 1 / rate_hz)
    chirp = np.exp(1j * np.pi * speed * time**2)
    frequency = np.fft.fftfreq(len(time), 1 / rate_hz)
    behind = np.abs(np.fft.ifft(np.fft.fft(chirp) * np.exp2(-2 * (frequency / width) ** 2))) ** 2
    inside = np.abs(time) < duration / 3
    span, sweep_s = speed * duration, duration
    told = sweep_loss(span, sweep_s, 1e9, width)
    assert told.loss_db == pytest.approx(10 * math.log10(behind[inside].max()), abs=0.02)
    wide = np.sum(behind[inside] > behind[inside].max() / 2) / rate_hz * speed
    assert told.widening == pytest.approx(wide / width, rel=0.1)


def test_a_calibrated_sweep_is_left_alone() -> None:
    told = sweep_loss(60e6, 1.0, 0.015, 100e3)
    assert (told.loss_db, told.widening, told.shift_hz) == (0.0, 1.0, 0.0)


def test_a_stream_narrower_than_the_filter_shows_the_filter():
    """All of its power stands in the middle, and half of it half a filter width beside."""
    shape = resolution_filter("gaussian", 200e3)
    grid = np.arange(-500, 500) * 300.0
    density = np.where(np.abs(grid) <= 5e3, 1.0 / 10e3, 0.0)
    power = float(density.sum() * 300.0)
    middle, half = shape.smooth(np.array([0.0, 100e3]), grid, density)
    assert middle == pytest.approx(power, rel=0.02)
    assert half == pytest.approx(power / 2, rel=0.02)
