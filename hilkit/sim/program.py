"""What a client sends: program messages cut into units, and the data elements of a unit.

Grammar: IEEE 488.2-1992 clause 7 (listening formats); suffixes of clause 7.7.3 and SCPI-99 volume 1 chapter
7.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from hilkit.sim.status import ScpiError

__all__ = ["Datum", "Unit", "find_terminator", "parse_data", "scale_of_suffix", "split_units"]

Kind = Literal["number", "word", "string", "block", "expression"]


@dataclass(frozen=True, slots=True)
class Datum:
    """One program data element; ``value`` and ``suffix`` belong to numbers, ``text`` is free of quotes."""

    kind: Kind
    text: str
    value: float = 0.0
    suffix: str = ""


@dataclass(frozen=True, slots=True)
class Unit:
    """One program message unit: header without its question mark, and the text of its data."""

    header: str
    query: bool
    data: str


# A block or a string may hold a line feed or a semicolon, which then ends nothing.
_OPAQUE = re.compile(r'"(?:[^"\n]|"")*"|\'(?:[^\'\n]|\'\')*\'')
_HEADER = re.compile(r"[ \t]*(\*[A-Za-z]+|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\??)")
_SPACE = re.compile(r"[\x00-\x09\x0b-\x20]*")  # IEEE 488.2 white space: all control codes but line feed
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))(?:[ \t]*[eE][ \t]*([+-]?\d+))?")
_SUFFIX = re.compile(r"[ \t]*(/?[A-Za-z][A-Za-z0-9./-]*)?")
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_RADIX = re.compile(r"#(?:[hH]([0-9A-Fa-f]+)|[qQ]([0-7]+)|[bB]([01]+))")
_EXPRESSION = re.compile(r"\([^()\n]*\)")


def _block_end(text: str, start: int) -> int | None:
    """Return where the block that starts at the ``#`` ends; None while bytes are missing, -1 for no block."""
    digits = text[start + 1 : start + 2]
    if not digits:
        return None
    if digits == "0":
        end = text.find("\n", start)
        return None if end < 0 else end
    if not digits.isdecimal():
        return -1
    count = text[start + 2 : start + 2 + int(digits)]
    if len(count) < int(digits):
        return None if count.isdecimal() or not count else -1
    if not count.isdecimal():
        return -1
    end = start + 2 + int(digits) + int(count)
    return end if end <= len(text) else None


def _opaque_end(text: str, at: int) -> int | None:
    """Return the end of the string or block at ``at``; None for a block that is not complete yet."""
    if text[at] == "#":
        end = _block_end(text, at)
        return at + 1 if end == -1 else end
    match = _OPAQUE.match(text, at)
    return match.end() if match else at + 1


_STOPS = {ends: re.compile(rf"[#\"'{ends}]") for ends in ("\n", ";", ",")}


def _cut(text: str, start: int, separator: str) -> int | None:
    """Return the place of the next ``separator`` outside strings and blocks; None when there is none yet."""
    at = start
    while match := _STOPS[separator].search(text, at):
        if match[0] == separator:
            return match.start()
        end = _opaque_end(text, match.start())
        if end is None:
            return None
        at = end
    return None


def find_terminator(buffer: bytes | bytearray) -> int:
    """Return the index of the line feed that ends the first message, or -1 while it is incomplete."""
    end = buffer.find(b"\n")
    if end < 0 or b"#" not in buffer[:end]:
        return end
    cut = _cut(buffer.decode("latin-1"), 0, "\n")
    return -1 if cut is None else cut


def split_units(message: str) -> Iterator[Unit]:
    """Yield the units of one message (without its terminator); raises ScpiError where it cannot go on."""
    start = 0
    while start <= len(message):
        cut = _cut(message, start, ";")
        end = len(message) if cut is None else cut
        text = message[start:end]
        start = end + 1
        if _skip(text, 0) < len(text):
            yield _unit(text)


def _unit(text: str) -> Unit:
    at = _skip(text, 0)
    match = _HEADER.match(text, at)
    if match is None:
        raise ScpiError(-102 if text[at].isascii() else -101, text[at : at + 20])
    rest = text[match.end() :]
    if rest and not _SPACE.match(rest)[0]:  # type: ignore[index]
        raise ScpiError(-111 if rest[0].isascii() else -101, text.strip()[:40])
    return Unit(match[1], bool(match[2]), rest.strip())


def _skip(text: str, at: int) -> int:
    match = _SPACE.match(text, at)
    return match.end() if match else at


def parse_data(text: str) -> tuple[Datum, ...]:
    """Return the data elements of one unit; raises ScpiError with a command error (-1xx)."""
    if not text:
        return ()
    elements = []
    at = 0
    while True:
        element, at = _element(text, _skip(text, at))
        elements.append(element)
        torn = element.kind == "number" and text[at : at + 1] in _NUMERIC
        at = _skip(text, at)
        if at >= len(text):
            return tuple(elements)
        if text[at] != ",":
            raise ScpiError(-121 if torn else -103, text[:40])
        at += 1


_NUMERIC = frozenset(".+-0123456789")


def _element(text: str, at: int) -> tuple[Datum, int]:
    first = text[at : at + 1]
    if not first or first == ",":
        raise ScpiError(-109, text[:40])
    if first in "\"'":
        return _string(text, at)
    if first == "#":
        return _hash(text, at)
    if first == "(":
        match = _EXPRESSION.match(text, at)
        if not match:
            raise ScpiError(-171, text[at : at + 40])
        return Datum("expression", match[0]), match.end()
    if match := _WORD.match(text, at):
        if len(match[0]) > 12:
            raise ScpiError(-144, match[0][:40])
        return Datum("word", match[0].upper()), match.end()
    if match := _NUMBER.match(text, at):
        return _number(text, match)
    raise ScpiError(-101 if not first.isascii() or first in "!$%&@[]\\^_`{|}~" else -102, text[at : at + 40])


def _string(text: str, at: int) -> tuple[Datum, int]:
    match = _OPAQUE.match(text, at)
    if not match:
        raise ScpiError(-151, text[at : at + 40])
    quote = text[at]
    return Datum("string", match[0][1:-1].replace(quote * 2, quote)), match.end()


def _hash(text: str, at: int) -> tuple[Datum, int]:
    if match := _RADIX.match(text, at):
        base = 16 if match[1] else 8 if match[2] else 2
        return Datum("number", match[0], float(int(match[1] or match[2] or match[3], base))), match.end()
    end = _block_end(text, at)
    if text[at + 1 : at + 2] == "0":
        return Datum("block", text[at + 2 :]), len(text)
    if end is None or end < 0:
        raise ScpiError(-161)
    return Datum("block", text[at + 2 + int(text[at + 1]) : end]), end


def _number(text: str, match: re.Match[str]) -> tuple[Datum, int]:
    if len(match[1].lstrip("+-0.")) > 255:
        raise ScpiError(-124)
    if match[2] and abs(int(match[2])) > 32000:
        raise ScpiError(-123)
    value = float(match[1] + (f"e{match[2]}" if match[2] else ""))
    suffix = _SUFFIX.match(text, match.end())
    name = suffix[1].upper() if suffix and suffix[1] else ""
    if len(name) > 12:
        raise ScpiError(-134, name[:40])
    return Datum("number", match[0], value, name), suffix.end() if name and suffix else match.end()


# IEEE 488.2 table 7-2: MA is mega and M is milli, but MHZ and MOHM are mega.
_PREFIXES = {
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "": 1.0,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
}


def scale_of_suffix(suffix: str, unit: str) -> float | None:
    """Return the factor that a linear ``suffix`` such as ``MHZ`` has in ``unit`` (``HZ``, ``S``, ``OHM``,
    ``W``, ``V``).

    None when the suffix does not belong to the unit.
    """
    if not suffix.endswith(unit):
        return None
    prefix = suffix.removesuffix(unit)
    if prefix == "M" and unit in ("HZ", "OHM"):
        return 1e6
    return _PREFIXES.get(prefix)
