"""Program data: IEEE 488.2-1992 clause 7.7; error numbers of SCPI-99 volume 2, clause 21.8.9."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilkit.sim.parameters import Channels, quoted
from hilkit.sim.program import Datum, find_terminator, parse_data, scale_of_suffix, split_units
from hilkit.sim.status import ScpiError
from tests.sim.standin import Talk


def error(text: str) -> int:
    with pytest.raises(ScpiError) as caught:
        parse_data(text)
    return caught.value.code


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1", 1),
        ("+1.5", 1.5),
        ("-.5", -0.5),
        ("2.", 2),
        ("1E3", 1e3),
        ("1 e -3", 1e-3),
        ("#HFF", 255),
        ("#q17", 15),
    ],
)
def test_numbers_are_read_in_every_form(text: str, value: float) -> None:
    (datum,) = parse_data(text)
    assert (datum.kind, datum.value) == ("number", value)


def test_binary_numbers_are_read() -> None:
    assert parse_data("#B1011")[0].value == 11


# IEEE 488.2-1992 table 7-2: M is milli and MA is mega, but MHZ and MOHM are mega.
@pytest.mark.parametrize(
    ("suffix", "unit", "factor"),
    [
        ("HZ", "HZ", 1),
        ("KHZ", "HZ", 1e3),
        ("MHZ", "HZ", 1e6),
        ("MAHZ", "HZ", 1e6),
        ("GHZ", "HZ", 1e9),
        ("MOHM", "OHM", 1e6),
        ("S", "S", 1),
        ("MS", "S", 1e-3),
        ("US", "S", 1e-6),
        ("NS", "S", 1e-9),
        ("MW", "W", 1e-3),
        ("MAW", "W", 1e6),
        ("MV", "V", 1e-3),
        ("S", "HZ", None),
        ("XHZ", "HZ", None),
    ],
)
def test_suffixes_scale_as_the_table_says(suffix: str, unit: str, factor: float | None) -> None:
    assert scale_of_suffix(suffix, unit) == factor


def test_suffixes_are_case_insensitive_and_may_stand_apart(box: Talk) -> None:
    for text in ("1842.5MHZ", "1842.5 mhz", "1.8425 GHz", "1842500 kHz", "1842500000", "1.8425E9 HZ"):
        box.write(f":FREQ:CENT {text}")
        assert float(box.ask(":FREQ:CENT?")) == 1842.5e6
    box.write(":SWE:TIME 20 MS")
    assert float(box.ask(":SWE:TIME?")) == pytest.approx(0.02)


@pytest.mark.parametrize(
    ("message", "code"),
    [
        (":FREQ:CENT 1 DBM", -131),
        (":FREQ:CENT 1 S", -131),
        (":SWE:POIN 101 HZ", -138),
        (":FREQ:CENT", -109),
        (":FREQ:CENT 1 GHZ,2 GHZ", -108),
        (":FREQ:CENT 1 GHZ 2", -103),
        (":FREQ:CENT 1.2.3", -121),
        (":FREQ:CENT 1E99999", -123),
        (":FREQ:CENT " + "1" * 300, -124),
        (":FREQ:CENT 1 ABCDEFGHIJKLMN", -134),
        (":FREQ:CENT ABC", -148),
        (':FREQ:CENT "1 GHZ"', -158),
        (":FREQ:CENT #13abc", -168),
        (":FREQ:CENT (@1)", -178),
        (":FREQ:CENT (@1", -171),
        (":FREQ:CENT 9 GHZ", -222),
        (":FREQ:CENT ,1", -109),
        (":FREQ:CENT,1", -111),
        (":FREQ:CENT 1 GHZ,", -109),
        (":DET 1", -128),
        (":DET FANCY", -224),
        (":DET ABCDEFGHIJKLMN", -144),
        (":DISP:TEXT 'open", -151),
        (":DISP:TEXT #9", -161),
        (":AVER MAYBE", -224),
        (":AVER 1 HZ", -138),
        (":DISP:WIND:TRAC:Y:RLEV 1 HZ", -131),
        (":DISP:WIND:TRAC:Y:RLEV 0 W", -222),
        (":FREQ:CENT \xb5", -101),
        (":FREQ:CENT ?", -102),
        ("\xb5", -101),
        ("?", -102),
        (":TRAC? TRACE9", -224),
        ("*ESE 256", -222),
        ("*ESE", -109),
        ("*FOO", -113),
        (":SYST:ERR? 1", -108),
    ],
)
def test_each_mistake_has_its_number(box: Talk, message: str, code: int) -> None:
    assert box.refused(message) == code


def test_a_refused_setting_keeps_its_value(box: Talk) -> None:
    box.write(":FREQ:CENT 1 GHZ")
    assert box.refused(":FREQ:CENT 9 GHZ") == -222
    assert float(box.ask(":FREQ:CENT?")) == 1e9


@pytest.mark.parametrize("word", ["ON", "1", "on", "2", "0.6", "-1"])
def test_switches_take_words_and_numbers_and_answer_one(box: Talk, word: str) -> None:
    # SCPI-99 volume 1, clause 7.3: a number is rounded, and whatever is not 0 is on
    box.write(f":AVER {word}")
    assert box.ask(":AVER?") == "1"


@pytest.mark.parametrize("word", ["OFF", "0", "off", "0.4"])
def test_switches_answer_zero(box: Talk, word: str) -> None:
    box.write(":AVER ON")
    box.write(f":AVER {word}")
    assert box.ask(":AVER?") == "0"


@pytest.mark.parametrize(("word", "short"), [("POSitive", "POS"), ("sample", "SAMP"), ("rms", "RMS")])
def test_choices_answer_their_short_form(box: Talk, word: str, short: str) -> None:
    box.write(f":DET {word}")
    assert box.ask(":DET?") == short


def test_minimum_maximum_and_default_are_values_and_questions(box: Talk) -> None:
    # SCPI-99 volume 1, clause 7.2.1
    assert box.ask(":SWE:POIN? MIN;POIN? MAXimum;POIN? DEF") == "11;10001;1001"
    box.write(":SWE:POIN MAX")
    assert box.ask(":SWE:POIN?") == "10001"
    assert float(box.ask(":FREQ:CENT? max")) == 7e9
    assert box.refused(":SWE:POIN? UP") == -148


def test_strings_may_hold_doubled_quotes_and_separators(box: Talk) -> None:
    # IEEE 488.2-1992 clause 7.7.5
    box.write(""":DISP:TEXT "a ""b"";c,d";:SWE:POIN 101""")
    assert box.ask(":DISP:TEXT?") == '"a ""b"";c,d"'
    box.write(":DISP:TEXT 'it''s'")
    assert box.ask(":DISP:TEXT?") == '"it\'s"'
    assert box.ask(":SWE:POIN?") == "101"


@given(st.text(st.characters(codec="ascii", exclude_characters="\n\r"), max_size=40))
def test_any_string_comes_back_as_it_went(text: str) -> None:
    (unit,) = split_units(f":DISP:TEXT {quoted(text)}")
    (datum,) = parse_data(unit.data)
    assert datum == Datum("string", text)


# SCPI-99 volume 1, clause 8.3.2
@pytest.mark.parametrize(
    ("text", "channels"),
    [
        ("(@101)", (101,)),
        ("(@101,103:105)", (101, 103, 104, 105)),
        ("(@105:103)", (105, 104, 103)),
        ("(@ 1 , 2 : 3 )", (1, 2, 3)),
    ],
)
def test_channel_lists_hold_numbers_and_ranges(text: str, channels: tuple[int, ...]) -> None:
    (datum,) = parse_data(text)
    assert Channels().read(datum, None) == channels


@pytest.mark.parametrize(
    ("text", "code"), [("(1,2)", -171), ("(@)", -171), ("(@1:)", -171), ("(@1:99999)", -222)]
)
def test_other_lists_are_refused(text: str, code: int) -> None:
    (datum,) = parse_data(text)
    with pytest.raises(ScpiError) as caught:
        Channels().read(datum, None)
    assert caught.value.code == code


def test_a_definite_block_is_read_by_its_count() -> None:
    # IEEE 488.2-1992 clause 7.7.6.2
    assert parse_data("#15hello") == (Datum("block", "hello"),)
    assert parse_data("#15a;,\nb,2") == (Datum("block", "a;,\nb"), Datum("number", "2", 2.0))
    assert error("#15hell") == -161


def test_an_indefinite_block_takes_the_rest() -> None:
    assert parse_data("#0hello") == (Datum("block", "hello"),)


def test_a_line_feed_within_a_block_does_not_end_the_message() -> None:
    assert find_terminator(b"MEM #13a\nb\n") == 10
    assert find_terminator(b"MEM #13a\n") == -1
    assert find_terminator(b"A\nB\n") == 1
    assert find_terminator(b"A 'b") == -1


def test_a_semicolon_within_a_block_or_a_string_separates_nothing() -> None:
    assert [unit.data for unit in split_units("A #13;;;;B ';';C")] == ["#13;;;", "';'", ""]


def test_a_level_may_come_in_any_unit_of_power(box: Talk) -> None:
    # 1 mW is 0 dBm by definition; 106.99 dBuV in 50 ohm: 10 lg(1 mW x 50 ohm / 1 uV^2)
    for text in ("0", "0 DBM", "1 MW", "1E-3 W", "-30 DBW", f"{10 * math.log10(50e9):.9f} DBUV"):
        box.write(f":DISP:WIND:TRAC:Y:RLEV {text}")
        assert float(box.ask(":DISP:WIND:TRAC:Y:RLEV?")) == pytest.approx(0, abs=1e-8)


def test_the_power_unit_changes_what_a_bare_number_means(box: Talk) -> None:
    # SCPI-99 volume 2, UNIT:POWer
    box.write(":UNIT:POW W;:DISP:WIND:TRAC:Y:RLEV 0.001")
    assert float(box.ask(":DISP:WIND:TRAC:Y:RLEV?")) == pytest.approx(1e-3)
    box.write(":UNIT:POW DBM")
    assert float(box.ask(":DISP:WIND:TRAC:Y:RLEV?")) == pytest.approx(0)
