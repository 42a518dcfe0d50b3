"""Numbers are never cut, names wrap, and a verdict is a word."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilkit.reports.lines import clock_text, exact_text, value_text, visible, wrapped
from hilkit.reports.table import table


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (-41.2, "dBc", "-41.200 dBc"),
        (2_350_000_012.25, "Hz", "2350.000012 MHz"),
        (12.5, "Hz", "12.500 Hz"),
        (3.0, "1", "3"),
        (2.5, "1", "2.500"),
        (-0.0001, "dB", "0.000 dB"),
    ],
)
def test_values_are_written_for_people(value: float, unit: str, text: str) -> None:
    assert value_text(value, unit) == text


def test_three_decimals_whatever_the_size() -> None:
    assert [exact_text(value) for value in (0.0, 1e9, -1 / 3)] == ["0.000", "1000000000.000", "-0.333"]


@pytest.mark.parametrize(
    ("seconds", "text"), [(0.4, "0.4 s"), (59.94, "59.9 s"), (61, "0:01:01"), (7325, "2:02:05")]
)
def test_times_read_like_a_clock(seconds: float, text: str) -> None:
    assert clock_text(seconds) == text


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_a_table_keeps_every_number_whole_at_every_width(width: int) -> None:
    long = "third_harmonic_of_the_unwanted_sideband corrected, worst of 31 readings"
    rows = [(long, "-1234567.890 dBc", "max -50 dBc", "-1234.567 dB", "fail"), ("x", "1", "", "", "none")]
    lines = [
        item.text for item in table(("reading", "value", "limit", "margin", "verdict"), rows, width=width)
    ]
    text = "\n".join(lines)
    for number in ("-1234567.890 dBc", "max -50 dBc", "-1234.567 dB"):
        assert number in text
    assert all(word in text.split() for word in ("fail", "none", "worst", "31", "readings"))
    if width >= 80:
        assert max(map(len, lines)) <= width


def test_the_verdict_carries_a_style_and_stays_a_word() -> None:
    row = table(("reading", "verdict"), [("image", "fail")], width=80)[1]
    assert row.pieces[-1] == ("fail", "fail")
    assert row.text.endswith("fail")


@given(st.text())
def test_what_is_shown_never_moves_a_cursor(text: str) -> None:
    """The characters left are those of XML 1.0 (fifth edition), clause 2.2, less the C0 and C1 controls."""
    for char in visible(text):
        assert char == "\n" or (ord(char) >= 0x20 and not 0x7F <= ord(char) <= 0x9F)
        assert not 0xD800 <= ord(char) <= 0xDFFF


def test_wrapping_keeps_every_word() -> None:
    text = "conducted test: end every port in a rated load before RF comes on " * 5
    lines = wrapped(text, width=40, indent="  ", hanging="    ")
    assert all(len(item.text) <= 40 for item in lines)
    assert " ".join(item.text for item in lines).split() == text.split()


def test_a_row_of_three_cells_has_one_text_across_the_middle_columns() -> None:
    rows = [
        ("level", "-12.321 dBm to 17.642 dBm, 31 readings", "none"),
        ("image", "-50.000 dBc", "", "", "none"),
    ]
    texts = [item.text for item in table(("reading", "value", "limit", "margin", "verdict"), rows, width=80)]
    assert texts[1].startswith("  level    -12.321 dBm to 17.642 dBm, 31 readings  ")
    assert texts[2].endswith("none")


def test_a_long_name_stays_whole_so_that_a_log_can_be_searched_for_it() -> None:
    rows = [
        (
            "old_frequency_level uncorrected",
            "-1234567890.000 dBc",
            "max -40 dBc, min -90 dBc",
            "+45.710 dB",
            "pass",
        )
    ]
    texts = [item.text for item in table(("reading", "value", "limit", "margin", "verdict"), rows, width=84)]
    assert texts[1] == "  old_frequency_level uncorrected"
    assert "-1234567890.000 dBc" in texts[2]
    assert max(map(len, texts)) <= 84
