"""The map of products against an FFT of the real signal at RF, each mechanism alone.

The equations are written here from the block diagram of a direct-conversion transmitter (I times cosine minus
Q times sine; common practice, no source), as real voltages on a real carrier, so that neither the complex
envelope nor a trigonometric identity is taken on trust. The amplitudes follow from cos^3 t = (3 cos t + cos
3t)/4 and sin^3 t = (3 sin t - sin 3t)/4 (Abramowitz and Stegun, Handbook of Mathematical Functions, 4.3.27
and 4.3.28, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from hilkit.analysis import MECHANISMS, Mechanism, amplifier_partner, explained_by

Floats = NDArray[np.float64]
Arm = Callable[[Floats], Floats]

SAMPLES, CARRIER, OFFSET = 1 << 15, 4096, 97
"""Cycles in the record: the third harmonic of the carrier still lies below half the sample rate."""

PHASE = 2 * np.pi * np.arange(SAMPLES) / SAMPLES
IN_PHASE, QUADRATURE = np.cos(OFFSET * PHASE), np.sin(OFFSET * PHASE)
COSINE, SINE = np.cos(CARRIER * PHASE), np.sin(CARRIER * PHASE)


def upconverted(i: Floats, q: Floats, *, gain: float = 1.0, angle: float = 0.0) -> Floats:
    """Return I cos - Q sin, the carrier of the Q arm ``angle`` radians away from 90 degrees and ``gain``
    times as large.
    """
    return i * COSINE - q * gain * np.sin(CARRIER * PHASE + angle)


def lines_dbc(voltage: Floats) -> dict[int, float]:
    """Return the lines around the carrier against the tone, by multiple of the offset."""
    spectrum = np.abs(np.fft.rfft(voltage))
    tone = spectrum[CARRIER + OFFSET]
    return {m: 20 * math.log10(spectrum[CARRIER + m * OFFSET] / tone + 1e-16) for m in range(-7, 8)}


def strong(voltage: Floats, *, above_dbc: float) -> set[int]:
    return {m for m, level in lines_dbc(voltage).items() if m != 1 and level > above_dbc}


def cubic(size: float) -> Arm:
    return lambda v: v + size * v**3


def square(size: float) -> Arm:
    return lambda v: v + size * v**2


def amplified(voltage: Floats) -> Floats:
    return voltage - 0.02 * voltage**3


def single(multiple: int, dbc: float) -> Floats:
    """A line beside the carrier by itself."""
    return 10 ** (dbc / 20) * np.cos((CARRIER + multiple * OFFSET) * PHASE)


CLEAN = upconverted(IN_PHASE, QUADRATURE)
BENT = cubic(-0.04)(IN_PHASE), cubic(-0.04)(QUADRATURE)

ALONE = {
    "imbalance": (CLEAN, upconverted(IN_PHASE, QUADRATURE, gain=1.03, angle=0.02)),
    "dc offset": (CLEAN, upconverted(IN_PHASE + 0.01, QUADRATURE - 0.005)),
    "equal cubics": (CLEAN, upconverted(*BENT)),
    "unequal cubics": (CLEAN, upconverted(cubic(-0.04)(IN_PHASE), cubic(-0.02)(QUADRATURE))),
    "imbalance after the cubic": (upconverted(*BENT), upconverted(*BENT, gain=1.03, angle=0.02)),
    "second order": (CLEAN, upconverted(square(0.01)(IN_PHASE), square(-0.004)(QUADRATURE))),
    "dc offset before the cubic": (
        upconverted(*BENT),
        upconverted(cubic(-0.04)(IN_PHASE + 0.01), cubic(-0.04)(QUADRATURE)),
    ),
    "amplifier with leakage": (CLEAN + single(0, -30), amplified(CLEAN + single(0, -30))),
    "amplifier with image": (CLEAN + single(-1, -30), amplified(CLEAN + single(-1, -30))),
    "amplifier with the line at -3": (CLEAN + single(-3, -30), amplified(CLEAN + single(-3, -30))),
}
"""Each mechanism: the signal without it and with it."""


def test_every_mechanism_of_the_map_is_tried() -> None:
    assert set(ALONE) == {mechanism.name for mechanism in MECHANISMS}


@pytest.mark.parametrize("mechanism", MECHANISMS, ids=lambda mechanism: mechanism.name)
def test_a_mechanism_puts_power_just_where_the_map_says(mechanism: Mechanism) -> None:
    before, after = ALONE[mechanism.name]
    # -85 dBc lies between the products that the map lists and the products of these among themselves.
    added = strong(after, above_dbc=-85) - strong(before, above_dbc=-85)
    assert added == set(mechanism.multiples)


@pytest.mark.parametrize("multiple", [0, -1, -3])
def test_a_weak_line_and_the_tone_meet_in_the_amplifier_on_the_far_side_of_the_tone(multiple: int) -> None:
    weak = CLEAN + single(multiple, -30)
    added = strong(amplified(weak), above_dbc=-85) - strong(weak, above_dbc=-85)
    assert added == {amplifier_partner(multiple)} == {2 - multiple}


def test_every_line_found_has_its_mechanisms_named() -> None:
    for name, (before, after) in ALONE.items():
        for multiple in strong(after, above_dbc=-85) - strong(before, above_dbc=-85):
            assert name in {mechanism.name for mechanism in explained_by(multiple)}


def test_equal_cubics_leave_a_quarter_of_the_coefficient_at_minus_three() -> None:
    # a (I^3 cos - Q^3 sin): 3a/4 onto the tone, a/4 at -3, nothing anywhere else.
    lines = lines_dbc(ALONE["equal cubics"][1])
    assert lines[-3] == pytest.approx(20 * math.log10(0.01 / 0.97), abs=1e-6)
    assert max(level for m, level in lines.items() if m not in (1, -3)) < -230


def test_unequal_cubics_share_out_in_sum_and_difference() -> None:
    lines = lines_dbc(ALONE["unequal cubics"][1])
    tone = 1 - 3 * 0.06 / 8
    for multiple, size in ((-3, 0.06 / 8), (3, 0.02 / 8), (-1, 3 * 0.02 / 8)):
        assert lines[multiple] == pytest.approx(20 * math.log10(size / tone), abs=1e-6)


def test_a_dc_offset_before_the_cubic_shows_at_two_offsets_either_side() -> None:
    # 3 a d cos^2 t = 3 a d (1 + cos 2t)/2, as sidebands 3 a d/4 each, against the tone 1 + 3a/4 + 3 a d^2/2.
    lines = lines_dbc(ALONE["dc offset before the cubic"][1])
    side = 20 * math.log10(3 * 0.04 * 0.01 / 4 / 0.97)
    assert lines[2] == pytest.approx(side, abs=0.01)
    assert lines[-2] == pytest.approx(side, abs=0.01)
