"""What is printed reads back as the same quantity."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hilkit.quantities import Duration, Fraction, Frequency, Level, Ratio, kinds, parse

PRINTED = [
    (Frequency(0.0), "0 Hz"),
    (Frequency(-0.0), "0 Hz"),
    (Frequency(1842.5e6), "1.8425 GHz"),
    (Frequency(999.0), "999 Hz"),
    (Frequency(-2.5e6), "-2.5 MHz"),
    (Frequency(1.8425e9, unit="MHz"), "1842.5 MHz"),
    (Frequency(1e30), "1e+18 THz"),
    (Frequency(1e-12), "1e-12 Hz"),
    (Duration(5e-6), "5 µs"),
    (Duration(90.0), "90 s"),
    (Duration(90.0, unit="min"), "1.5 min"),
    (Duration(100.0, unit="min"), "100 s"),
    (Fraction(0.12), "12 %"),
    (Fraction(5e-6), "5 ppm"),
    (Fraction(0.0), "0 %"),
    (Fraction(1e-12), "1e-10 %"),
    (Level(-20.0), "-20 dBm"),
    (Level(0.30000000000000004), "0.30000000000000004 dBm"),
    (Ratio(-50.0, unit="dBc"), "-50 dBc"),
    (Ratio(100.0), "100 dB"),
]


@pytest.mark.parametrize(("quantity", "text"), PRINTED)
def test_a_quantity_prints_in_its_unit_or_in_one_that_suits_it(quantity, text):
    assert str(quantity) == text
    assert parse(text) == quantity


@pytest.mark.parametrize(
    "text", ["1842.5 MHz", "0.25 s", "5 µs", "1.5 min", "-50 dBc", "23 °C", "12 %", "1000 kHz"]
)
def test_a_text_in_plain_form_prints_as_it_was_written(text):
    assert str(parse(text)) == text


@pytest.mark.parametrize(("text", "printed"), [("5 us", "5 µs"), ("5 μs", "5 µs"), ("23 degC", "23 °C")])
def test_spellings_that_mean_the_same_print_alike(text, printed):
    assert str(parse(text)) == printed


every_unit = st.sampled_from([(kind, unit.symbol) for kind in kinds() for unit in kind.units])
any_float = st.floats(allow_nan=False, allow_infinity=False)


@settings(deadline=None)
@given(every_unit, any_float)
def test_any_quantity_reads_back_equal_from_its_text(choice, value):
    kind, unit = choice
    quantity = kind(value, unit=unit)
    again = parse(str(quantity), kind)
    assert again == quantity
    assert str(again) == str(quantity)
    assert kind(value) == parse(str(kind(value)))


@settings(deadline=None)
@given(every_unit, st.decimals(min_value=-(10**9), max_value=10**9, places=5))
def test_a_text_reads_back_equal_after_printing(choice, number):
    kind, unit = choice
    quantity = parse(f"{number:f} {unit}")
    assert parse(str(quantity)) == quantity
    assert re.match(kind.pattern(), str(quantity))


@settings(deadline=None)
@given(st.text(max_size=20))
def test_any_text_is_either_read_or_refused(text):
    for kind in kinds():
        matches = re.match(kind.pattern(), text)
        try:
            quantity = kind.parse(text)
        except ValueError:
            continue
        assert matches and parse(str(quantity), kind) == quantity


@settings(deadline=None)
@given(st.from_regex(re.compile(Frequency.pattern(), re.ASCII), fullmatch=True))
def test_what_the_pattern_for_editors_allows_is_read_unless_it_leaves_the_range(text):
    try:
        Frequency.parse(text)
    except ValueError as error:
        assert "too large" in str(error) or "too small" in str(error) or len(text) > 60
