"""A mismatch line carries what is known of both sides, and refuses what no reflection can be."""

from __future__ import annotations

import math

import pytest

from hilkit.judgement import Knowledge, Reflection, UncertaintyError, mismatch_correction_db, mismatch_line
from hilkit.readings import Distribution


def test_the_line_says_what_both_sides_are_and_between_which_limits_the_power_lies() -> None:
    line = mismatch_line(
        Reflection.from_vswr(1.2),
        Reflection.from_vswr(1.4, Knowledge.DISC),
        quantity="mismatch coupler 1 / cable",
        source="bench file",
        shared="path tx1: coupler 1 / cable",
        frequency_hz=1842.5e6,
        length_m=1.5,
    )
    assert line.source.startswith("bench file: VSWR 1.2 (magnitude known) and 1.4 (anywhere in a disc)")
    assert (line.distribution, line.divisor, line.unit) == (Distribution.SEMICIRCLE, 2.0, "dB")
    assert (line.shared, line.frequency_hz, line.length_m) == ("path tx1: coupler 1 / cable", 1842.5e6, 1.5)


def test_which_side_is_the_known_one_does_not_matter() -> None:
    known, bounded = Reflection(0.1), Reflection(0.2, Knowledge.UNIFORM)
    first = mismatch_line(known, bounded, quantity="joint", source="")
    second = mismatch_line(bounded, known, quantity="joint", source="")
    assert (first.standard, first.distribution) == (second.standard, second.distribution)


def test_a_perfect_match_leaves_nothing() -> None:
    line = mismatch_line(Reflection(0.0), Reflection(0.3), quantity="joint", source="")
    assert line.standard == 0.0


def test_a_scattering_parameter_gives_its_magnitude() -> None:
    assert Reflection.from_parameter(0.03 - 0.04j).magnitude == pytest.approx(0.05)
    assert Reflection.from_parameter(0.2j).vswr == pytest.approx(1.5)


def test_reflections_in_phase_raise_the_power() -> None:
    assert mismatch_correction_db(0.1, 0.1) == pytest.approx(-20 * math.log10(0.99))
    assert mismatch_correction_db(0.1j, 0.1j) == pytest.approx(-20 * math.log10(1.01))


@pytest.mark.parametrize(
    ("make", "value", "words"),
    [
        (Reflection.from_vswr, 0.9, "at or above 1, not 0.9"),
        (Reflection.from_vswr, math.inf, "at or above 1"),
        (Reflection.from_return_loss, -20.0, "dB above 0, not -20"),
        (Reflection.from_parameter, 1.2, "below 1, not at 1.2"),
        (Reflection, -0.1, "below 1, not at -0.1"),
        (Reflection, math.nan, "below 1"),
    ],
)
def test_a_reflection_that_cannot_be_is_refused(make, value: float, words: str) -> None:
    with pytest.raises(UncertaintyError, match=words):
        make(value)
