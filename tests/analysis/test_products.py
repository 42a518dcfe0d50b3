"""The map of products is what an FFT of the imperfect signal shows (own derivation, no published table)."""

import itertools

import numpy as np
import pytest

from hilkit.analysis import (
    LINES,
    MECHANISMS,
    amplifier_partner,
    collisions,
    explained_by,
    line_frequencies_hz,
    off_band,
)

SAMPLES, CYCLES = 4096, 37
TONE = 0.9 * np.exp(2j * np.pi * CYCLES * np.arange(SAMPLES) / SAMPLES)


def strong_multiples(signal, *, under_dbc=-90.0):
    spectrum = np.abs(np.fft.fft(signal)) / SAMPLES
    relative = {m: spectrum[(m * CYCLES) % SAMPLES] / spectrum[CYCLES] for m in range(-7, 8)}
    return {m for m, ratio in relative.items() if m != 1 and 20 * np.log10(ratio + 1e-30) > under_dbc}


def on_i_and_q(signal, *, i, q):
    return i(signal.real) + 1j * q(signal.imag)


def cubic(size):
    return lambda x: x + size * x**3


def square(size):
    return lambda x: x + size * x**2


def imbalance(signal, gain=1.03, phase=0.02):
    return signal.real + 1j * gain * (signal.imag * np.cos(phase) + signal.real * np.sin(phase))


def amplifier(signal, size=-0.05):
    return signal + size * np.abs(signal) ** 2 * signal


def with_line(multiple, dbc):
    return (
        TONE + 10 ** (dbc / 20) * 0.9 * (TONE / 0.9) ** multiple
        if multiple >= 0
        else TONE + 10 ** (dbc / 20) * 0.9 * np.conj(TONE / 0.9) ** (-multiple)
    )


IMPERFECT = {
    "imbalance": imbalance(TONE),
    "dc offset": TONE + 0.01 - 0.005j,
    "equal cubics": on_i_and_q(TONE, i=cubic(-0.04), q=cubic(-0.04)),
    "unequal cubics": on_i_and_q(TONE, i=cubic(-0.04), q=cubic(-0.02)),
    "second order": on_i_and_q(TONE, i=square(0.01), q=square(-0.004)),
}


@pytest.mark.parametrize("name", IMPERFECT)
def test_each_mechanism_puts_power_just_where_the_map_says(name):
    mechanism = next(each for each in MECHANISMS if each.name == name)
    assert strong_multiples(IMPERFECT[name]) == set(mechanism.multiples)


def test_equal_cubics_give_the_line_at_minus_three_and_no_other():
    assert strong_multiples(IMPERFECT["equal cubics"], under_dbc=-250) == {-3}


def test_imbalance_after_the_cubic_mirrors_minus_three_to_plus_three():
    bent = IMPERFECT["equal cubics"]
    assert strong_multiples(imbalance(bent)) - strong_multiples(bent) == {3, -1}


def test_dc_before_the_cubic_gives_plus_and_minus_two():
    bent = on_i_and_q(TONE + 0.01 + 0.01j, i=cubic(-0.04), q=cubic(-0.04))
    assert strong_multiples(bent) - {-3} == {0, 2, -2}


@pytest.mark.parametrize(("multiple", "partner"), [(0, 2), (-1, 3), (-3, 5)])
def test_an_amplifier_puts_the_partner_of_a_weak_line_beyond_the_tone(multiple, partner):
    before = with_line(multiple, -40.0)
    added = strong_multiples(amplifier(before), under_dbc=-100) - strong_multiples(before, under_dbc=-100)
    assert added == {partner} == {amplifier_partner(multiple)}


def test_an_amplifier_adds_nothing_to_a_clean_tone():
    assert strong_multiples(amplifier(TONE), under_dbc=-200) == set()


def test_every_line_that_is_read_has_a_mechanism_behind_it():
    assert all(explained_by(multiple) for multiple in LINES if multiple != 1)
    assert {mechanism.name for mechanism in explained_by(2)} >= {"second order", "amplifier with leakage"}


def test_a_negative_offset_mirrors_all_lines():
    assert line_frequencies_hz(2e9, -5e6)[-1] == 2.005e9


def test_lines_of_a_usable_offset_do_not_collide():
    lines = {LINES[m]: hz for m, hz in line_frequencies_hz(1.8425e9, 7.5e6).items()}
    assert collisions(lines, spacing_hz=1e6) == []


def test_lines_of_a_zero_offset_all_collide():
    lines = {LINES[m]: hz for m, hz in line_frequencies_hz(1.8425e9, 0.0).items()}
    assert len(collisions(lines, spacing_hz=1.0)) == len(list(itertools.combinations(LINES, 2)))


def test_the_nearest_pair_comes_first():
    found = collisions({"a": 0.0, "b": 30.0, "c": 40.0}, spacing_hz=35.0)
    assert found == [("b", "c", 10.0), ("a", "b", 30.0)]


def test_lines_outside_the_band_are_named_with_the_guard_they_need():
    lines = {"third harmonic": -29.9e6, "tone": 10e6}
    assert off_band(lines, low_hz=-30e6, high_hz=30e6) == []
    assert off_band(lines, low_hz=-30e6, high_hz=30e6, guard_hz=0.2e6) == ["third harmonic"]
