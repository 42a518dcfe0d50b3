"""The power amplifier against the textbook relations of a third-order curve."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hilkit.sim.amplifier import Amplifier, amplifier, amplify, watts
from hilkit.sim.profile_radio import AmplifierProfile

SAMPLES = 64


def profile(**changes: str) -> AmplifierProfile:
    return AmplifierProfile.model_validate({"full_scale": "24 dBm", "intercept": "40 dBm", **changes})


def two_tones(curve: Amplifier, level_dbm: float) -> dict[int, float]:
    """Levels in dBm of the lines that two equal tones at orders -1 and +1 leave."""
    turn = 2 * np.pi * np.arange(SAMPLES) / SAMPLES
    driven = math.sqrt(watts(level_dbm)) * (np.exp(1j * turn) + np.exp(-1j * turn))
    power = np.abs(np.fft.fft(amplify(driven, curve)) / SAMPLES) ** 2
    return {k: 10 * math.log10(max(power[k % SAMPLES], 1e-30)) + 30 for k in range(-7, 8)}


@pytest.mark.parametrize("level_dbm", [-10.0, 0.0, 10.0])
def test_third_order_lines_meet_the_intercept(level_dbm: float) -> None:
    # P_IM3 = 3P - 2 OIP3: Pozar, Microwave Engineering, 4th ed., section 10.3.
    found = two_tones(amplifier(profile()), level_dbm)
    assert found[3] == pytest.approx(3 * level_dbm - 80, abs=0.03)
    assert found[-3] == pytest.approx(found[3], abs=1e-9)


def test_a_tone_is_compressed_by_one_decibel_ten_and_a_half_below_the_output_intercept() -> None:
    # Pure cubic: OIP3 - OP1dB = 10.6 dB (IIP3 - IP1dB = 9.6 dB): textbook relation, from memory; exact
    # 10.6357.
    curve = amplifier(profile())
    inputs = np.linspace(20, 35, 20001)
    output = np.abs(amplify(np.sqrt(10 ** (inputs / 10 - 3)).astype(np.complex128), curve))
    gain = 20 * np.log10(output) + 30 - inputs
    at = inputs[np.argmin(np.abs(gain + 1))]
    assert 40 - (at - 1) == pytest.approx(10.6357, abs=0.005)


def test_the_angle_of_the_third_order_term_turns_the_phase() -> None:
    tone = np.full(1, math.sqrt(watts(25)), dtype=np.complex128)
    straight = np.angle(amplify(tone, amplifier(profile()))[0])
    turned = np.angle(amplify(tone, amplifier(profile(intercept_phase="150 deg")))[0])
    assert straight == pytest.approx(0, abs=1e-12)
    assert turned == pytest.approx(math.atan2(0.5 * 10**-1.5, 1 - math.cos(math.pi / 6) * 10**-1.5), rel=1e-9)


def test_a_fifth_order_term_shows_five_offsets_away() -> None:
    curve = amplifier(profile(fifth_order_intercept="38 dBm"))
    assert two_tones(curve, 15.0)[5] == pytest.approx(5 * 15 - 4 * 38, abs=0.05)
    assert two_tones(amplifier(profile()), 15.0)[5] < -200


def test_the_ceiling_holds_the_output_and_does_nothing_well_below() -> None:
    curve = amplifier(profile(intercept="80 dBm", saturation="30 dBm"))
    levels = np.sqrt(10 ** (np.array([20.0, 45.0]) / 10 - 3)).astype(np.complex128)
    low, high = 20 * np.log10(np.abs(amplify(levels, curve))) + 30
    assert low == pytest.approx(20, abs=1e-3)
    assert high == pytest.approx(30, abs=0.01)
