"""The error vector of a known NR carrier."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from hilkit.analysis.modulation import demodulate_ofdm, known_grid, numerology
from hilkit.analysis.modulation.grid import KnownGrid
from hilkit.analysis.modulation.numerology import Numerology
from hilkit.errors import MeasurementError
from tests.analysis.modulation.waves import noise, ofdm

Complex = NDArray[np.complex128]


@pytest.fixture(scope="module")
def carrier() -> tuple[Numerology, KnownGrid, Complex]:
    """5 MHz with 15 kHz, 64QAM, one frame repeated."""
    numbers = numerology(5e6, 15e3)
    grid = known_grid(numbers, "64qam", identity=7)
    return numbers, grid, np.tile(ofdm(numbers, grid), 2)


def captured(frames: Complex, numbers: Numerology, *, shift: int = 12345) -> Complex:
    return frames[shift : shift + numbers.frame_samples + numbers.frame_samples // 10]


def test_a_clean_carrier_has_no_error_vector(carrier: tuple[Numerology, KnownGrid, Complex]) -> None:
    numbers, grid, frames = carrier
    found = demodulate_ofdm(captured(frames, numbers), rate_hz=numbers.rate_hz, numbers=numbers, grid=grid)
    assert found.rms < 1e-5
    assert found.slots == 10
    assert found.start == numbers.frame_samples - 12345
    assert abs(found.frequency_error_hz) < 0.01


@pytest.mark.parametrize("offset_hz", [-4000.0, -120.0, 35.5, 4000.0])
def test_a_frequency_error_is_read_and_costs_nothing(
    carrier: tuple[Numerology, KnownGrid, Complex], offset_hz: float
) -> None:
    numbers, grid, frames = carrier
    part = captured(frames, numbers)
    turned = part * np.exp(2j * np.pi * offset_hz * np.arange(len(part)) / numbers.rate_hz)
    found = demodulate_ofdm(turned, rate_hz=numbers.rate_hz, numbers=numbers, grid=grid)
    assert found.frequency_error_hz == pytest.approx(offset_hz, abs=0.02)
    assert found.rms < 1e-4


def test_noise_and_leakage_are_told_apart(carrier: tuple[Numerology, KnownGrid, Complex]) -> None:
    numbers, grid, frames = carrier
    part = captured(frames, numbers)
    in_band = np.sqrt(numbers.transform / numbers.subcarriers)
    part = part + 0.02 * in_band * noise(len(part), seed=3) + 0.01
    found = demodulate_ofdm(part, rate_hz=numbers.rate_hz, numbers=numbers, grid=grid)
    # 2 % of noise and, over all subcarriers, 1 % of leakage that sits on the middle one.
    assert found.rms == pytest.approx(np.hypot(0.02, 0.01), rel=0.03)
    assert found.origin_offset_db == pytest.approx(-40.0, abs=0.3)
    assert found.evm_subcarrier.argmax() == numbers.subcarriers // 2
    assert np.median(found.evm_subcarrier) == pytest.approx(0.02, rel=0.1)


def test_a_channel_within_the_prefix_is_equalised_and_one_beyond_it_is_not(
    carrier: tuple[Numerology, KnownGrid, Complex],
) -> None:
    numbers, grid, frames = carrier
    near = np.convolve(frames, [1.0, 0.0, 0.05j])
    far = np.convolve(frames, np.eye(1, 90)[0] + 0.05 * np.eye(1, 90, 89)[0])
    tell = [
        demodulate_ofdm(captured(each, numbers), rate_hz=numbers.rate_hz, numbers=numbers, grid=grid).rms
        for each in (near, far)
    ]
    assert tell[0] < 0.004
    assert tell[1] > 0.04


def test_common_phase_error_is_not_taken_off(carrier: tuple[Numerology, KnownGrid, Complex]) -> None:
    """TS 38.104, B.6: FR1 has no such step. 2 degrees to and fro from slot to slot remain in the result."""
    numbers, grid, frames = carrier
    part = captured(frames, numbers, shift=0)
    each = numbers.frame_samples // 10
    sign = np.repeat(np.tile([1.0, -1.0], 6)[:11], each)[: len(part)]
    found = demodulate_ofdm(
        part * np.exp(1j * np.radians(2) * sign), rate_hz=numbers.rate_hz, numbers=numbers, grid=grid
    )
    assert found.rms == pytest.approx(2 * np.sin(np.radians(2) / 2), rel=0.02)


def test_the_larger_place_of_the_window_counts(carrier: tuple[Numerology, KnownGrid, Complex]) -> None:
    """The first 18 of 36 samples of each prefix are spoilt: the low place reaches into them, the high one
    does not (TS 38.104, B.5 and B.7)."""
    numbers, grid, frames = carrier
    part = captured(frames, numbers, shift=0).copy()
    for first in numbers.useful_starts.ravel():
        part[first - 36 : first - 18] = 0
    assert numbers.prefix == 36
    found = demodulate_ofdm(part, rate_hz=numbers.rate_hz, numbers=numbers, grid=grid)
    assert found.low > 0.05
    assert found.high < 1e-4
    assert found.rms == found.low


def test_modulations_are_told_apart() -> None:
    numbers = numerology(5e6, 30e3)
    names = ["qpsk"] * 6 + ["256qam"] * 5
    grid = known_grid(numbers, names)
    part = captured(np.tile(ofdm(numbers, grid), 2), numbers, shift=100)
    in_band = np.sqrt(numbers.transform / numbers.subcarriers)
    part = part + 0.01 * in_band * noise(len(part), seed=4)
    found = demodulate_ofdm(part, rate_hz=numbers.rate_hz, numbers=numbers, grid=grid)
    assert list(found.evm) == ["qpsk", "256qam"]
    assert all(each == pytest.approx(0.01, rel=0.1) for each in found.evm.values())


@pytest.mark.parametrize("other", ["noise", "identity", "tone", "modulation"])
def test_another_signal_is_no_carrier_and_no_number(
    carrier: tuple[Numerology, KnownGrid, Complex], other: str
) -> None:
    numbers, grid, frames = carrier
    length = numbers.frame_samples + 5000
    samples = {
        "noise": noise(length, seed=5),
        "identity": frames[:length],
        "tone": np.exp(2j * np.pi * 0.01 * np.arange(length)),
        "modulation": frames[:length],
    }[other]
    if other == "identity":
        grid = known_grid(numbers, "64qam", identity=8)
    if other == "modulation":
        grid = known_grid(numbers, "qpsk", identity=7)
    why = "the symbols are like" if other == "modulation" else "times over the rest"
    with pytest.raises(MeasurementError, match=f"no carrier found: .*{why}"):
        demodulate_ofdm(samples, rate_hz=numbers.rate_hz, numbers=numbers, grid=grid)


def test_silence_and_short_captures_are_answered(carrier: tuple[Numerology, KnownGrid, Complex]) -> None:
    numbers, grid, frames = carrier
    with pytest.raises(MeasurementError, match="no power"):
        demodulate_ofdm(np.zeros(numbers.frame_samples), rate_hz=numbers.rate_hz, numbers=numbers, grid=grid)
    with pytest.raises(MeasurementError, match="does not hold a frame"):
        demodulate_ofdm(frames[:5000], rate_hz=numbers.rate_hz, numbers=numbers, grid=grid)
    with pytest.raises(ValueError, match="this carrier takes"):
        demodulate_ofdm(frames, rate_hz=1e6, numbers=numbers, grid=grid)


def test_widths_that_are_not_are_answered_with_those_that_are() -> None:
    with pytest.raises(ValueError, match=r"7 MHz is no width .* 5, 10, 15"):
        numerology(7e6, 15e3)
    with pytest.raises(ValueError, match="15, 30 and 60 kHz"):
        numerology(20e6, 20e3)
    with pytest.raises(ValueError, match=r"take 30\.72 MHz"):
        numerology(20e6, 15e3, rate_hz=31e6)
