"""Error vectors, statistics and pulses against values that are known without the code under test."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hilkit.analysis.modulation import (
    ccdf,
    ccdf_points_db,
    constellation,
    demodulate_qam,
    evm_db,
    gaussian_ccdf_point_db,
    normalised_evm,
    numerology,
    origin_offset_db,
    papr_db,
    power_against_time,
    root_raised_cosine,
    root_raised_cosine_response,
    scrambling,
)
from hilkit.errors import MeasurementError
from tests.analysis.modulation.waves import noise, qam

MODULATIONS = ["qpsk", "16qam", "64qam", "256qam"]


def symbols(modulation: str, count: int = 4096, seed: int = 1) -> np.ndarray:
    points = constellation(modulation).astype(np.complex128)
    return points[np.random.default_rng(seed).integers(len(points), size=count)]


# The definition is that of TS 38.104, B.2: normalised to the mean power of the ideal symbols.


@pytest.mark.parametrize("modulation", MODULATIONS)
def test_a_constant_error_is_the_error_vector(modulation: str) -> None:
    ideal = constellation(modulation)
    turned = np.exp(1j * np.arange(len(ideal)))
    assert normalised_evm(ideal + 0.035 * turned, ideal) == pytest.approx(0.035, rel=1e-5)
    # 20 log10 0.035
    assert evm_db(0.035) == pytest.approx(-29.119, abs=5e-4)


def test_a_pure_phase_error_is_a_chord() -> None:
    ideal = constellation("64qam")
    assert normalised_evm(ideal * np.exp(1j * math.radians(1)), ideal) == pytest.approx(0.017453, abs=1e-6)


def test_a_constant_offset_is_the_error_vector_and_its_level() -> None:
    ideal = constellation("256qam").astype(np.complex128)
    assert normalised_evm(ideal + 0.02j, ideal) == pytest.approx(0.02, rel=1e-6)
    assert origin_offset_db(0.02j, ideal) == pytest.approx(20 * math.log10(0.02), abs=1e-4)


def test_independent_parts_add_in_power() -> None:
    """1 %, 2 % and 2 % make 3 %."""
    count = 200_000
    ideal = symbols("16qam", count)
    parts = [share * noise(count, seed=seed) for seed, share in enumerate((0.01, 0.02, 0.02))]
    assert normalised_evm(ideal + sum(parts), ideal) == pytest.approx(0.03, rel=0.01)


def test_peak_over_mean_of_the_constellations() -> None:
    """3 (m - 1) / (m + 1) for squares of m by m points: 0, 2.553, 3.680 and 4.228 dB."""
    for modulation, over_db in zip(MODULATIONS, (0.0, 2.553, 3.680, 4.228), strict=True):
        power = np.abs(constellation(modulation)) ** 2
        assert power.mean() == pytest.approx(1.0, rel=1e-6)
        assert 10 * math.log10(power.max()) == pytest.approx(over_db, abs=1e-3)


@pytest.mark.parametrize("modulation", MODULATIONS)
@pytest.mark.parametrize("share", [0.0, 0.01, 0.02])
def test_a_single_carrier_through_its_whole_receiver(modulation: str, share: float) -> None:
    """White noise of density N0 gives an error vector of sqrt(N0 / Es) behind a matched filter."""
    sent = qam(symbols(modulation), samples_per_symbol=5, roll_off=0.22)
    received = 0.3j * (sent + share * noise(len(sent), seed=9))
    received = received * np.exp(2j * np.pi * 0.0021 * np.arange(len(sent)))
    found = demodulate_qam(
        received[777:-777],
        rate_hz=19.2e6,
        symbol_rate_hz=3.84e6,
        roll_off=0.22,
        modulation=modulation,
    )
    assert found.vector.rms == pytest.approx(share, rel=0.05, abs=0.001)
    assert found.frequency_error_hz == pytest.approx(0.0021 * 19.2e6, abs=2.0)


def test_noise_is_no_single_carrier() -> None:
    with pytest.raises(MeasurementError, match="no carrier found"):
        demodulate_qam(
            noise(40_000, seed=2), rate_hz=19.2e6, symbol_rate_hz=3.84e6, roll_off=0.22, modulation="qpsk"
        )


def test_the_pulse_has_the_noise_bandwidth_of_its_symbol_rate() -> None:
    """|H|^2 is a raised cosine, whose area is the symbol rate whatever the roll-off (TS 25.104, 6.8.1)."""
    frequency = np.linspace(-5e6, 5e6, 200_001)
    for roll_off in (0.0, 0.1, 0.22, 0.5, 1.0):
        power = root_raised_cosine_response(frequency, symbol_rate_hz=3.84e6, roll_off=roll_off) ** 2
        assert np.trapezoid(power, frequency) == pytest.approx(3.84e6, rel=2e-5)


def test_the_taps_transform_into_the_response() -> None:
    """The closed form in time and the one in frequency are one pulse, by numpy's transform; no ISI."""
    taps = root_raised_cosine(samples_per_symbol=8, roll_off=0.22, span_symbols=64)
    size = 1 << 14
    spectrum = np.abs(np.fft.fft(taps, size))
    frequency = np.fft.fftfreq(size, 1 / 8)
    wanted = root_raised_cosine_response(frequency, symbol_rate_hz=1.0, roll_off=0.22)
    assert np.max(np.abs(spectrum / spectrum[0] - wanted)) < 0.01
    whole = np.convolve(taps, taps)
    at_symbols = whole[len(taps) - 1 :: 8]
    assert np.max(np.abs(at_symbols[1:])) < 1e-3


def test_the_distribution_of_a_complex_gaussian() -> None:
    """P(power > x means) = exp(-x): 0.1 % at 8.39 dB, 1 % at 6.63 dB, 10 % at 3.62 dB."""
    samples = noise(1_000_000, seed=11)
    for probability, over_db in ((0.1, 3.622), (0.01, 6.633), (0.001, 8.393)):
        assert gaussian_ccdf_point_db(probability) == pytest.approx(over_db, abs=1e-3)
        assert ccdf_points_db(samples, [probability])[0] == pytest.approx(over_db, abs=0.06)
    assert ccdf(samples, [0.0])[0] == pytest.approx(math.exp(-1), abs=0.002)
    assert papr_db(samples) > 10.5


def test_a_constant_envelope_has_no_crest_and_two_equal_lines_have_3_db() -> None:
    turns = np.exp(2j * np.pi * np.arange(10_000) / 100)
    assert papr_db(turns) == pytest.approx(0.0, abs=1e-9)
    assert papr_db(turns + np.conj(turns)) == pytest.approx(3.0103, abs=1e-4)


def test_a_point_of_too_few_samples_is_refused() -> None:
    with pytest.raises(MeasurementError, match="capture 100000 samples"):
        ccdf_points_db(noise(5000, seed=1), [0.0001])
    with pytest.raises(MeasurementError, match="no power"):
        papr_db(np.zeros(100))


def test_power_against_time_sees_a_burst() -> None:
    samples = np.concatenate([np.zeros(300), np.full(700, 2.0)]).astype(np.complex128)
    seconds, power = power_against_time(samples, rate_hz=1e6, bin_s=1e-4)
    assert np.allclose(seconds[:2], [5e-5, 15e-5])
    assert np.allclose(power, [0, 0, 0, 4, 4, 4, 4, 4, 4, 4])


def test_the_scrambling_sequence_against_its_recursion() -> None:
    """TS 38.211, 5.2.1, bit by bit: x1 from 1, x2 from the start, Nc = 1600."""
    start, count = 0x1A2B3C4, 500
    first, second = 1, start
    bits = []
    for _ in range(1600 + count):
        bits.append((first ^ second) & 1)
        first |= ((first ^ first >> 3) & 1) << 31
        second |= ((second ^ second >> 1 ^ second >> 2 ^ second >> 3) & 1) << 31
        first, second = first >> 1, second >> 1
    assert scrambling(start, count).tolist() == bits[1600:]


@pytest.mark.parametrize(
    ("width", "spacing", "blocks", "rate", "window"),
    [
        (5, 15, 25, 7.68, 14),
        (20, 15, 106, 30.72, 58),
        (20, 30, 51, 30.72, 28),
        (50, 60, 65, 61.44, 36),
        (100, 30, 273, 122.88, 172),
        (100, 60, 135, 122.88, 86),
    ],
)
def test_numbers_of_the_carriers(width: int, spacing: int, blocks: int, rate: float, window: int) -> None:
    """TS 38.104, Tables 5.3.2-1 and B.5.2-1 to B.5.2-3; a frame is filled to the last sample."""
    numbers = numerology(width * 1e6, spacing * 1e3)
    assert (numbers.blocks, numbers.rate_hz, numbers.window) == (blocks, rate * 1e6, window)
    assert numbers.useful_starts[-1, -1] + numbers.transform == numbers.frame_samples
