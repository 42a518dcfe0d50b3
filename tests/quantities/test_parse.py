"""Texts with units become quantities; everything else is refused with words that help."""

import pytest

from hilkit.errors import ExitCode, HilkitError
from hilkit.quantities import (
    Angle,
    Current,
    Density,
    Duration,
    Fraction,
    Frequency,
    FullScaleLevel,
    Level,
    Power,
    Quantity,
    QuantityError,
    Ratio,
    RelativeDensity,
    Temperature,
    Voltage,
    kinds,
    parse,
)

# SI units and prefixes: BIPM, SI Brochure, 9th edition (2019), tables 7 and 8, from memory.
# Decibel units, ppm and ppb: common practice, no source.
READ = [
    ("2.35 GHz", Frequency, 2.35e9),
    ("7.5 MHz", Frequency, 7.5e6),
    ("10 kHz", Frequency, 1e4),
    ("50 Hz", Frequency, 50.0),
    ("3 mHz", Frequency, 3e-3),
    ("1 THz", Frequency, 1e12),
    ("250 ms", Duration, 0.25),
    ("5 µs", Duration, 5e-6),
    ("5 μs", Duration, 5e-6),
    ("5 us", Duration, 5e-6),
    ("3 min", Duration, 180.0),
    ("2 h", Duration, 7200.0),
    ("5 W", Power, 5.0),
    ("20 mW", Power, 0.02),
    ("3 pW", Power, 3e-12),
    ("3.3 V", Voltage, 3.3),
    ("12 mV", Voltage, 0.012),
    ("150 mA", Current, 0.15),
    ("23.5 °C", Temperature, 23.5),
    ("-5 degC", Temperature, -5.0),
    ("90 deg", Angle, 90.0),
    ("5 ppm", Fraction, 5e-6),
    ("2 ppb", Fraction, 2e-9),
    ("12 %", Fraction, 0.12),
    ("12%", Fraction, 0.12),
    ("-20 dBm", Level, -20.0),
    ("30 dB", Ratio, 30.0),
    ("-50 dBc", Ratio, -50.0),
    ("-12 dBFS", FullScaleLevel, -12.0),
    ("-174 dBm/Hz", Density, -174.0),
    ("-140 dBc/Hz", RelativeDensity, -140.0),
    ("2.35GHz", Frequency, 2.35e9),
    ("  2.35   GHz ", Frequency, 2.35e9),
    ("1e3 Hz", Frequency, 1e3),
    ("1e3Hz", Frequency, 1e3),
    ("1.5E-3 s", Duration, 1.5e-3),
    (".5 dB", Ratio, 0.5),
    ("+3 dB", Ratio, 3.0),
    ("−3 dB", Ratio, -3.0),
    ("1e−3 s", Duration, 1e-3),
]


@pytest.mark.parametrize(("text", "kind", "value"), READ)
def test_a_text_is_read_into_the_base_unit_of_its_kind(text, kind, value):
    quantity = parse(text)
    assert type(quantity) is kind
    assert quantity.base == value
    assert quantity == parse(text, kind) == kind.parse(text)
    assert quantity.text == text.strip()


def test_every_kind_reads_its_own_example_and_no_spelling_belongs_to_two_kinds():
    for kind in kinds():
        assert type(parse(kind.example)) is kind
    spellings = [unit.symbol for kind in kinds() for unit in kind.units]
    assert len(spellings) == len(set(spellings))


# Text, kind, a part of the message, a part of the hint.
REFUSED = [
    ("20 mhz", Frequency, "'mhz' is no unit that is known", "did you mean MHz"),
    ("20 MHZ", Frequency, "'MHZ' is no unit", "did you mean MHz"),
    ("20 ghz", None, "'ghz' is no unit", "did you mean GHz"),
    ("20 KHz", Frequency, "'KHz' is no unit", "did you mean kHz"),
    ("3 dbm", Level, "'dbm' is no unit", "did you mean dBm"),
    ("3 DBM", Level, "'DBM' is no unit", "did you mean dBm"),
    ("3 Ms", Duration, "'Ms' is no unit", "did you mean ms"),
    ("3 kdB", Ratio, "'kdB' is no unit", "did you mean dB"),
    ("3 mdBm", Level, "'mdBm' is no unit", "did you mean dBm"),
    ("3 k%", Fraction, "'k%' is no unit", "did you mean %"),
    ("3 dBW", Level, "'dBW' is no unit", "did you mean dBm"),
    ("20 C", Temperature, "'C' is no unit", "did you mean °C"),
    ("20 °", Angle, "'°' is no unit", "did you mean deg"),
    ("20 parsec", Frequency, "'parsec' is no unit", ""),
    ("20 dBm", Frequency, "this is a level; a frequency is needed here, such as 2.35 GHz", ""),
    ("20 dB", Level, "this is a ratio; a level is needed here, such as -20 dBm", ""),
    ("5 W", Ratio, "this is a power; a ratio is needed here, such as 30 dB", ""),
    (
        "20",
        Frequency,
        "a unit is missing: a frequency is needed here, such as 2.35 GHz",
        "unit after the number",
    ),
    ("GHz", Frequency, "a frequency is needed here", ""),
    ("", Frequency, "a frequency is needed here", ""),
    ("fast", None, "a number with its unit is needed here, such as 2.35 GHz or -20 dBm", ""),
    ("2,35 GHz", Frequency, "a frequency is needed here", "decimal point: 2.35 GHz"),
    ("1 842.5 MHz", Frequency, "a frequency is needed here", "without separators"),
    ("1_842 MHz", Frequency, "a frequency is needed here", "without separators"),
    ("–3 dB", Ratio, "a ratio is needed here", "this is a dash"),
    ("3 - 5 dB", Ratio, "a ratio is needed here", ""),
    ("0x10 Hz", Frequency, "is no unit that is known", ""),
    ("1. Hz", Frequency, "a frequency is needed here", ""),
    ("٣ Hz", Frequency, "a frequency is needed here", ""),
    ("nan Hz", Frequency, "a frequency is needed here", "only finite numbers"),
    ("inf dB", Ratio, "a ratio is needed here", "only finite numbers"),
    ("-inf dB", Ratio, "a ratio is needed here", "only finite numbers"),
    (".nan dB", Ratio, "a ratio is needed here", "only finite numbers"),
    ("1e400 Hz", Frequency, "the number is too large", ""),
    ("1e307 GHz", Frequency, "the number is too large", ""),
    ("1e-400 Hz", Frequency, "the number is too small", ""),
    ("1e99999999999 Hz", Frequency, "", ""),
    ("9" * 5000 + " Hz", Frequency, "a frequency is needed here", ""),
    ("0 W", Level, "only a power above 0 W has a level", ""),
    ("-5 W", Level, "only a power above 0 W has a level", ""),
]


@pytest.mark.parametrize(("text", "kind", "message", "hint"), REFUSED)
def test_a_text_that_is_no_such_quantity_is_refused_with_a_reason(text, kind, message, hint):
    with pytest.raises(QuantityError) as caught:
        parse(text, kind)
    assert message in caught.value.message
    assert hint in caught.value.next_step
    assert caught.value.seen == text


def test_a_refusal_names_the_units_that_are_allowed_and_prints_as_lines():
    with pytest.raises(QuantityError) as caught:
        parse("20 mhz", Frequency)
    assert str(caught.value).splitlines() == [
        "'mhz' is no unit that is known; a frequency is needed here, such as 2.35 GHz",
        "  seen: 20 mhz",
        "  allowed: a number and one of the units THz, GHz, MHz, kHz, Hz, mHz, µHz",
        "  next: did you mean MHz or mHz? (upper and lower case count)",
    ]


def test_a_refusal_is_both_a_usage_error_and_a_value_error():
    with pytest.raises(HilkitError) as caught:
        parse("?", Level)
    assert isinstance(caught.value, ValueError)
    assert caught.value.exit_code is ExitCode.USAGE


def test_a_number_without_a_text_is_refused():
    with pytest.raises(QuantityError, match="a frequency is needed"):
        parse(5, Frequency)  # type: ignore[call-overload]


def test_a_power_is_read_as_a_level_where_a_level_is_needed():
    # 5 W = 36.9897 dBm: 10 log10(5000), common practice, no source.
    level = parse("5 W", Level)
    assert level.dbm == pytest.approx(36.9897, abs=5e-5)
    assert level.text == "5 W"
    assert parse("1 mW", Level) == Level(0.0)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_a_quantity_is_finite_however_it_is_made(value):
    with pytest.raises(QuantityError, match="a level must be a finite number"):
        Level(value)


@pytest.mark.parametrize("value", [True, "3", None])
def test_a_quantity_is_made_of_a_number(value):
    with pytest.raises(TypeError):
        Level(value)


def test_a_quantity_does_not_change():
    with pytest.raises(AttributeError):
        Level(1.0).dbm = 2.0  # type: ignore[misc]


def test_the_unit_that_is_asked_for_must_be_one_of_the_kind():
    assert Frequency(2.35e9).number("MHz") == 2350.0
    assert Duration(90.0).number("min") == 1.5
    assert Fraction(0.12).number("%") == 12.0
    with pytest.raises(QuantityError, match="'dBm' is no unit of a frequency"):
        Frequency(1.0).number("dBm")
    with pytest.raises(QuantityError):
        Frequency(1.0, unit="mhz")


def test_equal_values_are_equal_whatever_unit_they_were_written_in():
    assert parse("1000 MHz") == parse("1 GHz")
    assert hash(parse("1000 MHz")) == hash(parse("1 GHz"))
    assert parse("3 dB") == parse("3 dBc")
    assert parse("999 MHz") < parse("1 GHz")
    assert Quantity not in kinds()


def test_kinds_do_not_compare():
    assert Level(3.0) != Ratio(3.0)
    with pytest.raises(TypeError):
        assert Level(3.0) < Ratio(4.0)
