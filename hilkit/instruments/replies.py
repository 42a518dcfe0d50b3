"""Answers of instruments read as numbers, words, lists and error entries; pure functions of the text.

SCPI-99 volume 1 gives 9.91E37 for "not a number" and +-9.9E37 for infinities (clause 7.2.1); none of them is
a value.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from hilkit.errors import ReplyError
from hilkit.instruments.transcript import quoted

__all__ = [
    "ErrorEntry",
    "NoValue",
    "channel_list",
    "error_entry",
    "finite",
    "matches_word",
    "number",
    "short_form",
    "truth",
    "unquoted",
]

_LONGEST_RANGE = 10_000

SCPI_INFINITY = 9.9e37
"""Magnitudes from here on are the SCPI infinities and not-a-number."""

# <NR1>, <NR2> and <NR3> (IEEE 488.2-1992, clauses 8.7.2 to 8.7.4) and what stands for no value. Python's own
# reading of numbers is wider: it takes 1_0 and the digits of every script.
_NUMBER = re.compile(
    r"[+-]?(?:(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?|nan|inf(?:inity)?)", re.IGNORECASE
)

_ERROR = re.compile(r"\s*([+-]?[0-9]{1,9})\s*(?:,\s*(.*?))?\s*", re.DOTALL)


class NoValue(ReplyError):
    """The instrument says that it has no value: its own word, not a fault of the link."""


@dataclass(frozen=True)
class ErrorEntry:
    """One entry of the error queue: its number and text, quotes taken off."""

    number: int
    text: str

    def __str__(self) -> str:
        return f'{self.number},"{self.text}"'


def number(reply: str, *, instrument: str, asked: str) -> float:
    """Return the number in ``reply``; ReplyError for anything else, and for the SCPI infinities and not-a-
    number.
    """
    text = reply.strip(" \t\r\n")  # of each control character and blank of every script Python takes more
    if not _NUMBER.fullmatch(text):
        raise ReplyError(
            f"{asked} was answered with {quoted(reply)}, which is not a number",
            instrument=instrument,
            next_step="look at the transcript; a dialect that sends another query may be needed",
        )
    return finite(float(text), instrument=instrument, asked=asked)


def finite(value: float, *, instrument: str, asked: str) -> float:
    """Return ``value``; ReplyError if it stands for infinity or not-a-number."""
    if math.isfinite(value) and abs(value) < SCPI_INFINITY:
        return value
    raise NoValue(
        f"{asked} was answered with {value:.4g}: the instrument has no valid value (SCPI not-a-number or "
        "infinity)",
        instrument=instrument,
        next_step="check that a signal is there, the sweep has finished and nothing overloads",
    )


def truth(reply: str, *, instrument: str, asked: str) -> bool:
    """Return a boolean answered as ``1``/``0`` or ``ON``/``OFF``."""
    word = unquoted(reply).upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    return number(word, instrument=instrument, asked=asked) != 0


def unquoted(reply: str) -> str:
    """Return ``reply`` without surrounding spaces and one pair of single or double quotes."""
    text = reply.strip()
    if len(text) >= 2 and text[0] == text[-1] and text[0] in "'\"":
        quote = text[0]
        return text[1:-1].replace(quote * 2, quote)
    return text


def short_form(word: str) -> str:
    """Return the capitals and digits of a SCPI word as manuals print it: ``POS`` for ``POSitive``.

    A word printed without any lower case letter has one form only.
    """
    return "".join(c for c in word if not c.islower())


def matches_word(reply: str, word: str) -> bool:
    """True when ``reply`` is ``word`` in its long or short form, whatever the case, quotes or spaces after
    commas.
    """
    seen = re.sub(r"\s*,\s*", ",", unquoted(reply)).upper()
    return seen in (word.upper(), short_form(word).upper())


def channel_list(reply: str, *, instrument: str, asked: str) -> tuple[int, ...]:
    """Return the channels of ``(@101,103:105)``, sorted; quotes, an empty list and a bare list are
    understood.
    """
    text = unquoted(reply).replace(" ", "")
    inner = text[2:-1] if text.startswith("(@") and text.endswith(")") else text
    channels: set[int] = set()
    for part in filter(None, inner.split(",")):
        match = re.fullmatch(r"([0-9]{1,9})(?::([0-9]{1,9}))?", part)
        if match is None:
            raise ReplyError(
                f"{asked} was answered with {quoted(reply)}, which is not a channel list such as (@101,102)",
                instrument=instrument,
            )
        first, last = int(match[1]), int(match[2] or match[1])
        if abs(last - first) > _LONGEST_RANGE:
            raise ReplyError(
                f"{asked} was answered with {quoted(reply)}, a list of more channels than any switch has",
                instrument=instrument,
            )
        channels.update(range(min(first, last), max(first, last) + 1))
    return tuple(sorted(channels))


def error_entry(reply: str, *, instrument: str) -> ErrorEntry:
    """Return an answer of the error queue; ``0,"No error"``, ``+0,'OK'`` and ``-000`` are all understood."""
    match = _ERROR.fullmatch(reply)
    if match is None:
        raise ReplyError(
            f"the error queue was answered with {quoted(reply)}, which does not begin with a number",
            instrument=instrument,
            next_step="the link may be out of step, or the dialect's error_query is wrong",
        )
    return ErrorEntry(int(match[1]), unquoted(match[2] or ""))
