"""What a command takes and how a query answers: numbers with units, switches, choices, text, channel lists.

Answers follow IEEE 488.2-1992 clause 8 (talking formats): NR1 for whole numbers, NR3 for others, 1 or 0 for a
switch, the short upper-case form for a choice, doubled quotes inside a string.
"""

from __future__ import annotations

import math
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

from hilkit.sim.program import Datum, scale_of_suffix
from hilkit.sim.status import ScpiError

__all__ = [
    "Channels",
    "Choice",
    "Flag",
    "Level",
    "Name",
    "Number",
    "Parameter",
    "Text",
    "Whole",
    "from_dbm",
    "nr3",
    "pick_decade",
    "quoted",
    "short_form",
    "to_dbm",
]

# SCPI-99 volume 2, clauses 21.8.9.5 to 21.8.9.10: the element is legal, but not here.
_NOT_ALLOWED = {"number": -128, "word": -148, "string": -158, "block": -168, "expression": -178}

Bound = float | Callable[[Any], float]


def short_form(word: str) -> str:
    """Return the short form of a keyword written as ``FREQuency``: its capitals and digits."""
    return "".join(letter for letter in word if not letter.islower())


def nr3(value: float) -> str:
    """Return a number in NR3 form, to 13 significant digits."""
    return f"{value:.12E}"


def quoted(text: str) -> str:
    """Return string response data: quotes around it, quotes within doubled (IEEE 488.2 clause 8.7.8)."""
    return '"' + text.replace('"', '""') + '"'


class Parameter(ABC):
    """One kind of parameter. ``accepts`` names the data elements that can be one."""

    accepts: ClassVar[tuple[str, ...]] = ()

    def read(self, datum: Datum, instrument: Any) -> Any:
        """Return the value that ``datum`` stands for; raises ScpiError."""
        if datum.kind not in self.accepts:
            raise ScpiError(_NOT_ALLOWED[datum.kind], datum.text[:40])
        return self.convert(datum, instrument)

    @abstractmethod
    def convert(self, datum: Datum, instrument: Any) -> Any:
        """Return the value of an element of an accepted kind; raises ScpiError."""

    def answer(self, value: Any, instrument: Any) -> str:
        """Return ``value`` as response data."""
        return str(value)

    def special(self, word: str, instrument: Any) -> Any:
        """Return the value of MINimum, MAXimum or DEFault; raises ScpiError where there is none."""
        raise ScpiError(-148, word)


_SPECIAL = {
    "MIN": "low",
    "MINIMUM": "low",
    "MAX": "high",
    "MAXIMUM": "high",
    "DEF": "default",
    "DEFAULT": "default",
}


@dataclass(frozen=True, kw_only=True)
class Number(Parameter):
    """A number in a linear unit (``HZ``, ``S``, ``OHM``) or in ``DB``; "" for none.

    ``low``, ``high`` and ``default`` are numbers or functions of the instrument; ``pick`` maps a legal value
    to the nearest one that the instrument has, which is no error (SCPI-99 volume 2, clause 21.8.10). ``clip``
    takes the nearest legal value for one out of range instead of raising -222.
    """

    accepts: ClassVar[tuple[str, ...]] = ("number", "word")
    unit: str = ""
    low: Bound = -math.inf
    high: Bound = math.inf
    default: Bound = 0.0
    pick: Callable[[float], float] | None = None
    clip: bool = False

    def bound(self, name: str, instrument: Any) -> float:
        """Return ``low``, ``high`` or ``default`` as it stands now."""
        value: Bound = getattr(self, name)
        return value(instrument) if callable(value) else value

    def special(self, word: str, instrument: Any) -> float:
        """Return the limit that can be set now."""
        if word not in _SPECIAL:
            raise ScpiError(-148, word)
        return self.bound(_SPECIAL[word], instrument)

    def convert(self, datum: Datum, instrument: Any) -> float:
        """Return the value in the base unit, in range and picked."""
        if datum.kind == "word":
            value = self.special(datum.text, instrument)
        else:
            value = self.scaled(datum, instrument)
            low, high = self.bound("low", instrument), self.bound("high", instrument)
            if not low <= value <= high:
                if not self.clip:
                    raise ScpiError(-222, f"{datum.text} {datum.suffix}".strip()[:40])
                value = min(max(value, low), high)
        return self.pick(value) if self.pick else value

    def scaled(self, datum: Datum, instrument: Any) -> float:
        """Return the number with its suffix applied."""
        if not datum.suffix:
            return datum.value
        if not self.unit:
            raise ScpiError(-138, datum.suffix)
        if self.unit == "DB":
            factor = 1.0 if datum.suffix == "DB" else None
        else:
            factor = scale_of_suffix(datum.suffix, self.unit)
        if factor is None:
            raise ScpiError(-131, datum.suffix)
        return datum.value * factor

    def answer(self, value: Any, instrument: Any) -> str:
        """Return the value in NR3 form."""
        return nr3(value)


@dataclass(frozen=True, kw_only=True)
class Whole(Number):
    """A whole number; a fraction is rounded."""

    def convert(self, datum: Datum, instrument: Any) -> int:
        """Return the nearest whole number."""
        return round(Number.convert(self, datum, instrument))

    def answer(self, value: Any, instrument: Any) -> str:
        """Return the value in NR1 form."""
        return str(round(value))


@dataclass(frozen=True, kw_only=True)
class Level(Number):
    """A power level held in dBm; a number without suffix is in the unit that ``UNIT:POWer`` chose."""

    def scaled(self, datum: Datum, instrument: Any) -> float:
        """Return the level in dBm."""
        return to_dbm(datum.value, datum.suffix or instrument.power_unit)

    def answer(self, value: Any, instrument: Any) -> str:
        """Return the level in the unit that ``UNIT:POWer`` chose."""
        return nr3(from_dbm(value, instrument.power_unit))


def pick_decade(
    steps: Sequence[float], low: float, high: float, *, up: bool = False
) -> Callable[[float], float]:
    """Return a function that takes a value to the nearest (or next higher) of ``steps`` in each decade."""
    grid = [step * 10.0**power for power in range(-1, 9) for step in steps]
    grid = [value for value in grid if low <= value <= high]

    def pick(value: float) -> float:
        if up:
            return next((each for each in grid if each >= value * (1 - 1e-9)), grid[-1])
        return min(grid, key=lambda each: abs(math.log(each / value)))

    return pick


# 0 dBm in 50 ohm is 106.99 dBuV: 10 lg(1 mW x 50 ohm / 1 uV^2).
_DBUV_OF_0_DBM = 10 * math.log10(1e-3 * 50 / 1e-12)
_OFFSETS = {"DBM": 0.0, "DBMW": 0.0, "DBW": -30.0, "DBUV": _DBUV_OF_0_DBM, "DBMV": _DBUV_OF_0_DBM - 60}


def to_dbm(value: float, unit: str) -> float:
    """Return a level in dBm; raises ScpiError -131 for another unit, -222 for a power of 0 or less."""
    if unit in _OFFSETS:
        return value - _OFFSETS[unit]
    scale = scale_of_suffix(unit, "W")
    if scale is None:
        raise ScpiError(-131, unit)
    if value <= 0:
        raise ScpiError(-222, f"{value:g}")
    return 10 * math.log10(value * scale / 1e-3)


def from_dbm(value: Any, unit: str) -> Any:
    """Return dBm (a number or an array) in ``DBM``, ``DBMV``, ``DBUV``, ``DBW`` or ``W``."""
    return value + _OFFSETS[unit] if unit in _OFFSETS else 1e-3 * 10 ** (value / 10)


class Flag(Parameter):
    """A switch: ON, OFF or a number, which is rounded and is on unless 0 (SCPI-99 volume 1, clause 7.3)."""

    accepts = ("number", "word")

    def convert(self, datum: Datum, instrument: Any) -> bool:
        """Return True for on."""
        if datum.kind == "number":
            if datum.suffix:
                raise ScpiError(-138, datum.suffix)
            return round(datum.value) != 0
        if datum.text not in ("ON", "OFF"):
            raise ScpiError(-224, datum.text)
        return datum.text == "ON"

    def answer(self, value: Any, instrument: Any) -> str:
        """Return 1 or 0."""
        return "1" if value else "0"


@dataclass(frozen=True)
class Choice(Parameter):
    """One of several words, written as ``POSitive``; the value is its short form."""

    words: tuple[str, ...]
    accepts: ClassVar[tuple[str, ...]] = ("word",)
    _by_text: Mapping[str, str] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        table = {form.upper(): short_form(word) for word in self.words for form in (word, short_form(word))}
        object.__setattr__(self, "_by_text", table)

    def convert(self, datum: Datum, instrument: Any) -> str:
        """Return the short form of the chosen word."""
        if datum.text not in self._by_text:
            raise ScpiError(-224, datum.text)
        return self._by_text[datum.text]


class Text(Parameter):
    """String data."""

    accepts = ("string",)

    def convert(self, datum: Datum, instrument: Any) -> str:
        """Return the text without its quotes."""
        return datum.text

    def answer(self, value: Any, instrument: Any) -> str:
        """Return the text in quotes."""
        return quoted(value)


class Name(Parameter):
    """A predefined name such as TRACE1, as character data or as a string."""

    accepts = ("word", "string")

    def convert(self, datum: Datum, instrument: Any) -> str:
        """Return the name in capitals."""
        return datum.text.upper()


_CHANNELS = re.compile(r"\(@\s*(\d+(?:\s*:\s*\d+)?(?:\s*,\s*\d+(?:\s*:\s*\d+)?)*)\s*\)")


class Channels(Parameter):
    """A channel list such as ``(@101,103:105)`` (SCPI-99 volume 1, clause 8.3.2); ranges count up or down."""

    accepts = ("expression",)

    def convert(self, datum: Datum, instrument: Any) -> tuple[int, ...]:
        """Return the channels in the order of the list; raises ScpiError -171, -222 for an absurd range."""
        match = _CHANNELS.fullmatch(datum.text)
        if not match:
            raise ScpiError(-171, datum.text[:40])
        channels: list[int] = []
        for part in match[1].split(","):
            first, _, last = part.partition(":")
            start, stop = int(first), int(last or first)
            if abs(stop - start) > 1000:
                raise ScpiError(-222, datum.text[:40])
            channels += range(start, stop + 1) if start <= stop else range(start, stop - 1, -1)
        return tuple(channels)

    def answer(self, value: Any, instrument: Any) -> str:
        """Return a channel list; ``(@)`` when it is empty."""
        return f"(@{','.join(map(str, value))})"
