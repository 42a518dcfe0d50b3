"""Limits are turned into numbers of the reading's unit."""

import math

import pytest

from hilkit.quantities import READING_UNITS, QuantityError, difference_unit, limit_number, unit_of_reading

LIMITS = [
    ("-45 dBm", "dBm", -45.0),
    ("1 mW", "dBm", 0.0),
    ("-50 dBc", "dBc", -50.0),
    ("0.25 dB", "dB", 0.25),
    ("2.35 GHz", "Hz", 2.35e9),
    ("250 ms", "s", 0.25),
    ("-140 dBm/Hz", "dBm/Hz", -140.0),
    ("-120 dBc/Hz", "dBc/Hz", -120.0),
    ("1.1 %", "%", 1.1),
    ("5 ppm", "%", 5e-4),
    ("0.1 %", "ppm", 1000.0),
    ("20 mW", "W", 0.02),
    ("5 mV", "V", 0.005),
    ("5 mA", "A", 0.005),
    ("60 °C", "°C", 60.0),
    ("2 deg", "deg", 2.0),
    ("-3 dBFS", "dBFS", -3.0),
    (3, "1", 3.0),
    ("0.5", "1", 0.5),
    (0.5, "1", 0.5),
]


@pytest.mark.parametrize(("text", "unit", "value"), LIMITS)
def test_a_limit_becomes_a_number_in_the_unit_of_the_reading(text, unit, value):
    assert limit_number(text, unit) == value


def test_every_unit_of_a_reading_is_covered_by_a_limit_above():
    assert {unit for _, unit, _ in LIMITS} == set(READING_UNITS)


REFUSED = [
    ("-50 dB", "dBc", "the reading is in dBc, the limit in dB"),
    ("-50 dBc", "dB", "the reading is in dB, the limit in dBc"),
    ("-50 dBm", "dBc", "this is a level; a ratio is needed here"),
    (-50, "dBm", "a unit is missing"),
    (True, "dBm", "a level is needed here"),
    ("3 Hz", "1", "a plain number is needed here"),
    ("three", "1", "a plain number is needed here"),
    (True, "1", "a finite number is needed"),
    (math.inf, "1", "a finite number is needed"),
    ("3 dB", "dBmV", "'dBmV' is no unit of a reading"),
]


@pytest.mark.parametrize(("text", "unit", "message"), REFUSED)
def test_a_limit_in_another_unit_is_refused(text, unit, message):
    with pytest.raises(QuantityError) as caught:
        limit_number(text, unit)
    assert message in caught.value.message
    assert caught.value.allowed


def test_a_slip_between_db_and_dbc_is_answered_with_the_other_spelling():
    with pytest.raises(QuantityError) as caught:
        limit_number("-50 dB", "dBc")
    assert caught.value.next_step == "write -50 dBc, if that is meant"


def test_differences_of_decibel_scales_are_in_db():
    assert {unit: difference_unit(unit) for unit in ("dBm", "dBc", "dBFS", "dBm/Hz", "Hz", "%", "1")} == {
        "dBm": "dB", "dBc": "dB", "dBFS": "dB", "dBm/Hz": "dB", "Hz": "Hz", "%": "%", "1": "1",
    }  # fmt: skip
    assert unit_of_reading("1") is None
