"""Answers of instruments read as values."""

import pytest

from hilkit.errors import ReplyError
from hilkit.instruments import replies

WHO = {"instrument": "analyser", "asked": ":X?"}


@pytest.mark.parametrize("text", ["1842500000", "+1.842500000000E+009", " 1.8425e9 "])
def test_the_number_forms_of_488_2_are_read(text: str) -> None:
    """IEEE 488.2, clause 8.7 (NR1, NR2, NR3; clause number from memory)."""
    assert replies.number(text, **WHO) == 1842.5e6


@pytest.mark.parametrize("text", ["9.91E37", "9.9E37", "-9.9E+37", "+9.91E+037", "inf", "nan"])
def test_scpi_not_a_number_and_infinities_are_errors(text: str) -> None:
    """SCPI-99 volume 1, clause 7.2.1: 9.91E37, 9.9E37, -9.9E37."""
    with pytest.raises(ReplyError, match="not-a-number or infinity"):
        replies.number(text, **WHO)


def test_what_is_no_number_is_shown_with_control_characters_visible() -> None:
    with pytest.raises(ReplyError) as caught:
        replies.number("OVER\x07LOAD" + "!" * 200, **WHO)
    assert r"OVER\x07LOAD" in caught.value.message
    assert "…" in caught.value.message
    assert caught.value.instrument == "analyser"


@pytest.mark.parametrize(
    ("text", "number", "shown"),
    [
        ('0,"No error"', 0, '0,"No error"'),
        ('+0,"OK"', 0, '0,"OK"'),
        ("-000", 0, '0,""'),
        ("0", 0, '0,""'),
        ('-222,"Data out of range;RBW"', -222, '-222,"Data out of range;RBW"'),
        ("-113,'Undefined header'", -113, '-113,"Undefined header"'),
        ("+113 , Undefined header", 113, '113,"Undefined header"'),
        ('-151,"say ""on"""', -151, '-151,"say "on""'),
    ],
)
def test_error_entries_are_read_however_they_are_quoted(text: str, number: int, shown: str) -> None:
    """Forms seen in manuals; SCPI-99 volume 2, clause 21.8 gives the number, a comma and a quoted text."""
    entry = replies.error_entry(text, instrument="analyser")
    assert (entry.number, str(entry)) == (number, shown)


def test_what_is_no_error_entry_is_a_reply_error() -> None:
    with pytest.raises(ReplyError, match="does not begin with a number"):
        replies.error_entry("-12.5 dBm", instrument="analyser")


@pytest.mark.parametrize(
    ("reply", "word", "same"),
    [
        ("POS", "POSitive", True),
        ("positive", "POSitive", True),
        ('"maxpeak"', "MAXPeak", True),
        ("POSI", "POSitive", False),
        ("REAL, 32", "REAL,32", True),
        ("REAL,64", "REAL,32", False),
    ],
)
def test_a_word_is_known_in_its_long_and_its_short_form_only(reply: str, word: str, same: bool) -> None:
    """SCPI-99 volume 1, clause 6.2.1 (from memory): exact short or exact long form, whatever the case."""
    assert replies.matches_word(reply, word) is same


@pytest.mark.parametrize(
    ("text", "value"), [("1", True), ("0", False), ("ON", True), ("off", False), ("+1", True)]
)
def test_booleans_are_read_as_digits_and_as_words(text: str, value: bool) -> None:
    assert replies.truth(text, **WHO) is value


@pytest.mark.parametrize(
    ("text", "channels"),
    [("(@101,103:105)", (101, 103, 104, 105)), ("(@)", ()), ('"(@ 102 , 101)"', (101, 102)), ("", ())],
)
def test_channel_lists_are_read(text: str, channels: tuple[int, ...]) -> None:
    """SCPI-99 volume 1, clause 8.3.2 (from memory): (@1,3:5)."""
    assert replies.channel_list(text, **WHO) == channels


def test_what_is_no_channel_list_is_a_reply_error() -> None:
    with pytest.raises(ReplyError, match="not a channel list"):
        replies.channel_list("(@A1)", **WHO)
