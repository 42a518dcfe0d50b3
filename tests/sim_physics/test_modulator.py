"""The I/Q modulator against trigonometry; published figures are in tests/external."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hilkit.sim.modulator import Modulator, Quadrature, modulate, residual
from hilkit.sim.profile_radio import ModulatorProfile

SAMPLES = 64


def lines_dbc(modulator: Modulator, *, magnitude: float = 1.0) -> dict[int, float]:
    """Send one period of a tone through a modulator and return its lines relative to the tone, by order."""
    tone = magnitude * np.exp(2j * np.pi * np.arange(SAMPLES) / SAMPLES)
    spectrum = np.abs(np.fft.fft(modulate(tone, modulator))) / SAMPLES
    return {k: 20 * math.log10(max(spectrum[k % SAMPLES] / spectrum[1], 1e-15)) for k in range(-6, 7)}


def test_equal_cubics_leave_the_third_harmonic_at_minus_three_offsets_only() -> None:
    # I^3 + jQ^3 = (3|x|^2 x + conj(x)^3)/4, an identity of cos^3 and sin^3.
    found = lines_dbc(Modulator(cubic=(-0.04, -0.04)))
    assert found[-3] == pytest.approx(20 * math.log10(0.01 / 0.97), abs=0.001)
    assert max(found[k] for k in (-6, -5, -4, -2, -1, 0, 2, 3, 4, 5, 6)) < -250


def test_unequal_cubics_add_a_line_at_plus_three_and_an_image() -> None:
    # aI cos^3 + j aQ sin^3 by the triple-angle formulas.
    found = lines_dbc(Modulator(cubic=(-0.04, -0.02)))
    tone = 1 - 3 * 0.06 / 8
    assert found[-3] == pytest.approx(20 * math.log10(0.06 / 8 / tone), abs=0.001)
    assert found[3] == pytest.approx(20 * math.log10(0.02 / 8 / tone), abs=0.001)
    assert found[-1] == pytest.approx(20 * math.log10(3 * 0.02 / 8 / tone), abs=0.001)


def test_the_third_harmonic_follows_the_drive_by_two_decibels_a_decibel() -> None:
    full, half = (lines_dbc(Modulator(cubic=(-0.004, -0.004)), magnitude=m)[-3] for m in (1.0, 0.5))
    assert full - half == pytest.approx(12.04, abs=0.03)


def test_imbalance_behind_the_cubic_mirrors_the_third_harmonic() -> None:
    state = Quadrature(gain_db=0.3, phase_deg=2.0)
    behind = lines_dbc(Modulator(cubic=(-0.04, -0.04), quadrature=state))
    assert behind[3] == pytest.approx(behind[-3] + behind[-1], abs=0.01)
    assert behind[2] < -250
    assert behind[-5] < -250


def test_imbalance_ahead_of_the_cubic_gives_another_spectrum() -> None:
    state = Quadrature(gain_db=0.3, phase_deg=2.0)
    ahead = lines_dbc(Modulator(cubic=(-0.04, -0.04), quadrature=state, imbalance_first=True))
    behind = lines_dbc(Modulator(cubic=(-0.04, -0.04), quadrature=state))
    assert abs(ahead[3] - behind[3]) > 1
    assert abs(ahead[-1] - behind[-1]) > 0.01


def test_the_image_alone_is_the_same_on_either_side_of_the_curvature() -> None:
    # 0.3 dB and 2 degrees: -32.198 dBc by the same formula.
    state = Quadrature(gain_db=0.3, phase_deg=2.0)
    for first in (True, False):
        found = lines_dbc(Modulator(quadrature=state, imbalance_first=first))
        assert found[-1] == pytest.approx(-32.198, abs=0.001)


def test_second_order_curvature_shows_at_two_offsets_and_at_the_carrier() -> None:
    found = lines_dbc(Modulator(square=(0.01, 0.0)))
    assert found[2] == pytest.approx(found[-2], abs=0.01)
    assert found[0] == pytest.approx(found[2] + 6.02, abs=0.01)


def test_an_offset_ahead_of_the_cubic_shows_at_two_offsets_and_one_behind_does_not() -> None:
    early = lines_dbc(Modulator(cubic=(-0.04, -0.04), early_offset=0.01))
    late = lines_dbc(Modulator(cubic=(-0.04, -0.04), quadrature=Quadrature(offset=0.01)))
    assert early[2] > -80
    assert early[-2] > -80
    assert max(late[2], late[-2]) < -250


MODULATOR = ModulatorProfile.model_validate(
    {
        "raw": {"gain": "0.5 dB", "phase": "5 deg"},
        "calibrated": {"gain": "0.1 dB", "phase": "1 deg"},
        "corrected": {"gain": "0.01 dB", "phase": "0.1 deg"},
        "calibration_width": "8 MHz",
    }
)


def test_without_a_calibration_the_raw_error_stands() -> None:
    state = residual(MODULATOR, carrier_hz=1.8e9, calibrated_at_hz=None, unsettled=1.0)
    assert (state.gain_db, state.phase_deg) == pytest.approx((0.5, 5.0))


def test_a_calibration_made_elsewhere_holds_less_the_further_away_it_was() -> None:
    near, far = (
        residual(MODULATOR, carrier_hz=1.8e9, calibrated_at_hz=1.8e9 - d, unsettled=1.0).phase_deg
        for d in (1e6, 20e6)
    )
    assert 1.0 < near < 1.6
    assert 4.5 < far < 5.0


def test_settled_corrections_leave_the_corrected_error() -> None:
    state = residual(MODULATOR, carrier_hz=1.8e9, calibrated_at_hz=1.8e9, unsettled=0.0)
    assert (state.gain_db, state.phase_deg) == pytest.approx((0.01, 0.1))
