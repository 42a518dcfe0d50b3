"""Which sums have a meaning, and that they are made on the decimal text."""

import operator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hilkit.quantities import Frequency, Level, QuantityError, Ratio, parse

SUMS = [
    ("1842.5 MHz", "+", "20 MHz", "1862.5 MHz"),
    ("2.35 GHz", "-", "100 kHz", "2.3499 GHz"),
    ("0.1 dB", "+", "0.2 dB", "0.3 dB"),
    ("-20 dBm", "+", "3 dB", "-17 dBm"),
    ("-20 dBm", "-", "0.1 dB", "-20.1 dBm"),
    ("3 dB", "+", "-20 dBm", "-17 dBm"),
    ("-20 dBm", "-", "-30.5 dBm", "10.5 dB"),
    ("10 dBm", "+", "-50 dBc", "-40 dBm"),
    ("-40 dBm", "-", "-50 dBc", "10 dBm"),
    ("-50 dBc", "+", "3 dB", "-47 dBc"),
    ("3 dB", "+", "-50 dBc", "-47 dBc"),
    ("-50 dBc", "-", "3 dB", "-53 dBc"),
    ("-50 dBc", "-", "-47 dBc", "-3 dB"),
    ("-12 dBFS", "+", "6 dB", "-6 dBFS"),
    ("-12 dBFS", "-", "-18 dBFS", "6 dB"),
    ("-174 dBm/Hz", "+", "5 dB", "-169 dBm/Hz"),
    ("-140 dBc/Hz", "-", "-150 dBc/Hz", "10 dB"),
    ("250 ms", "+", "1 s", "1250 ms"),
    ("1 min", "+", "30 s", "1.5 min"),
    ("5 W", "-", "500 mW", "4.5 W"),
    ("3.3 V", "+", "0.1 V", "3.4 V"),
    ("1 A", "-", "1 mA", "0.999 A"),
    ("10 %", "+", "5 ppm", "10.0005 %"),
    ("90 deg", "-", "100 deg", "-10 deg"),
]

WORDS = {"+": operator.add, "-": operator.sub}


@pytest.mark.parametrize(("left", "sign", "right", "result"), SUMS)
def test_a_sum_prints_what_a_person_would_write(left, sign, right, result):
    total = WORDS[sign](parse(left), parse(right))
    assert str(total) == result
    assert total == parse(result)
    assert total.unit == parse(result).unit
    assert total.text == ""


MEANINGLESS = [
    ("-20 dBm", "+", "-20 dBm"),
    ("-12 dBFS", "+", "-12 dBFS"),
    ("-174 dBm/Hz", "+", "-174 dBm/Hz"),
    ("-50 dBc", "+", "-50 dBc"),
    ("3 dB", "-", "-50 dBc"),
    ("3 dB", "-", "-20 dBm"),
    ("-20 dBm", "-", "-12 dBFS"),
    ("-20 dBm", "-", "-174 dBm/Hz"),
    ("5 W", "+", "3 dB"),
    ("3 dB", "+", "5 W"),
    ("5 W", "+", "-20 dBm"),
    ("-20 dBm", "+", "5 W"),
    ("1 GHz", "+", "1 s"),
    ("1 GHz", "-", "3 dB"),
    ("20 °C", "+", "5 °C"),
    ("20 °C", "-", "5 °C"),
]


@pytest.mark.parametrize(("left", "sign", "right"), MEANINGLESS)
def test_a_sum_without_a_meaning_is_refused_and_says_what_would_have_one(left, sign, right):
    with pytest.raises(QuantityError, match="has no meaning") as caught:
        WORDS[sign](parse(left), parse(right))
    assert caught.value.seen == f"{left} {sign} {right}"
    assert caught.value.allowed


def test_level_plus_level_is_named_as_what_it_is():
    with pytest.raises(QuantityError, match="a level plus a level has no meaning"):
        Level(0.0) + Level(0.0)  # type: ignore[operator]


def test_a_quantity_and_a_plain_number_do_not_add():
    with pytest.raises(TypeError):
        Level(0.0) + 3.0  # type: ignore[operator]


def test_a_sum_that_leaves_the_range_of_a_float_is_refused():
    with pytest.raises(QuantityError, match="too large"):
        Frequency(1.7e308) + Frequency(1.7e308)


decimals = st.decimals(min_value=-100000, max_value=100000, places=4)


@settings(deadline=None)
@given(decimals, decimals)
def test_sums_of_decimal_texts_are_exact(left, right):
    total = parse(f"{left:f} MHz") + parse(f"{right:f} MHz")
    assert total.number("MHz") == float(left + right)


@settings(deadline=None)
@given(decimals, decimals)
def test_a_level_moved_by_a_ratio_and_back_is_the_level(level, ratio):
    start, step = parse(f"{level:f} dBm", Level), parse(f"{ratio:f} dB", Ratio)
    assert start + step - step == start
    assert (start + step) - start == step
