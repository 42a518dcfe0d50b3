"""Lines of text with styles, and how numbers, times and tables are laid out in a given width.

Everything that hilkit shows on a console is a list of lines made here, so that a terminal, a log file and a
test see the same words. A verdict is always a word; the colour only repeats it.
"""

from __future__ import annotations

import datetime as dt
import math
import textwrap
from dataclasses import dataclass, field

from hilkit.masking import masked

__all__ = [
    "KEEP_TOGETHER",
    "STYLES",
    "Line",
    "clock_text",
    "exact_text",
    "figure_text",
    "line",
    "value_text",
    "visible",
    "wrapped",
]

STYLES = {
    "pass": "green",
    "fail": "bold red",
    "inconc": "bold yellow",
    "error": "bold magenta",
    "none": "dim",
    "skipped": "cyan",
    "heading": "bold",
    "quiet": "dim",
    "alarm": "bold white on red",
    "simulated": "bold blue",
}
"""Style names used in lines, as rich writes them."""

_PREFIXED = ("Hz",)
_SCALES = ((1e9, "G"), (1e6, "M"), (1e3, "k"))
_MOST_DIGITS = 6

KEEP_TOGETHER = "\u00a0"
"""Stands for a space at which `wrapped` must not break a line, as between a number and its unit."""


@dataclass(frozen=True)
class Line:
    """One line: pieces of text, each with a style name or none."""

    pieces: tuple[tuple[str, str], ...] = field(default=())

    @property
    def text(self) -> str:
        """The line without styles."""
        return "".join(text for text, _ in self.pieces).rstrip()


def line(text: str = "", style: str = "") -> Line:
    """Return a line of one piece."""
    return Line(((text, style),))


def wrapped(
    text: str, *, width: int, indent: str = "", hanging: str | None = None, style: str = ""
) -> list[Line]:
    """Return ``text`` in lines of at most ``width`` characters; a longer word is broken, never cut off."""
    result = []
    for paragraph in text.splitlines() or [""]:
        pieces = textwrap.wrap(
            visible(paragraph),
            max(width, len(indent) + 8),
            initial_indent=indent,
            subsequent_indent=indent if hanging is None else hanging,
            break_on_hyphens=False,
        )
        result += [line(piece.replace(KEEP_TOGETHER, " "), style) for piece in pieces or [""]]
    return result


def visible(text: str) -> str:
    """Return ``text`` with every control character written out, such as ``#x1B``: a reply must not move the
    cursor.

    Keeps line feeds and leaves passwords out. The form is that of an XML character reference without its
    ampersand; XML 1.0 (fifth edition, clause 2.2) allows none of these characters in any form.
    """
    return "".join(char if _printable(ord(char)) else f"#x{ord(char):02X}" for char in masked(text))


_DIRECTIONS = {*range(0x202A, 0x202F), *range(0x2066, 0x206A)}
"""Characters that turn the direction of writing: what follows would be shown in another order."""


def _printable(code: int) -> bool:
    if code in _DIRECTIONS:
        return False
    return (
        code == 0x0A
        or 0x20 <= code <= 0x7E
        or 0xA0 <= code <= 0xD7FF
        or 0xE000 <= code <= 0xFFFD
        or code >= 0x10000
    )


def exact_text(value: float) -> str:
    """Return a number with three decimals and a point, whatever the country."""
    text = f"{value:.3f}"
    return "0.000" if text == "-0.000" else text


def value_text(value: float, unit: str) -> str:
    """Return a number with its unit for a person: large frequencies in MHz, counts without decimals."""
    if unit == "Hz" and abs(value) >= 1e6:
        return f"{value / 1e6:.6f} MHz"
    if unit == "1":
        return f"{value:.0f}" if value == round(value) and abs(value) < 1e12 else exact_text(value)
    return f"{exact_text(value)} {unit}"


def figure_text(value: float, unit: str, significant: int = 2) -> str:
    """Return an uncertainty with its unit, to two digits (JCGM 100, 7.2.6): ``0.31 dB``, ``120 kHz``."""
    scale, prefix = _scale(value) if unit in _PREFIXED else (1.0, "")
    rounded = float(f"{value / scale:.{significant}g}")
    digits = max(0, significant - 1 - math.floor(math.log10(abs(rounded)))) if rounded else 0
    text = f"{rounded:.{digits}f}" if digits <= _MOST_DIGITS else f"{rounded:.{significant - 1}e}"
    return text if unit == "1" else f"{text} {prefix}{unit}"


def _scale(value: float) -> tuple[float, str]:
    return next(((scale, prefix) for scale, prefix in _SCALES if abs(value) >= scale), (1.0, ""))


def clock_text(seconds: float) -> str:
    """Return a time as ``0:12:30``, or in seconds below a minute."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    return str(dt.timedelta(seconds=round(seconds)))
