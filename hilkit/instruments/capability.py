"""Capabilities: what a class of instruments can be told or asked, as data.

A class of instruments lists what it knows (:class:`CapabilitySpec`); a dialect file says how one instrument
is told so (:class:`Capability`). The check of the file, the conversion of values, the read-back and the texts
of errors all derive from the two.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from hilkit.errors import RefusedError, ReplyError
from hilkit.instruments import replies
from hilkit.instruments.transcript import quoted, visible

__all__ = ["Access", "Capability", "CapabilitySpec", "Kind", "Limits", "Value", "by_name", "places"]

Kind = Literal["number", "integer", "boolean", "word", "text", "action"]
Access = Literal["rw", "r", "w"]
Value = float | int | bool | str

_TRUTH_WORDS = {"on": "ON", "off": "OFF"}
_TINY = 1e-9


@dataclass(frozen=True, kw_only=True)
class CapabilitySpec:
    """One thing that a class of instruments can do.

    ``access``: ``rw`` is set and read back, ``r`` only asked, ``w`` only set. ``unit`` is the unit of a
    number as the class handles it (``1`` for a count). ``words`` are the class's own words of a choice.
    ``arguments`` are the placeholders that its texts must hold besides ``{value}``, ``spare_arguments`` those
    that they may hold, ``groups`` the groups that a reply pattern must have. A ``ranged`` number needs a
    range in the driver file.
    """

    name: str
    kind: Kind
    meaning: str
    access: Access = "rw"
    unit: str = ""
    words: tuple[str, ...] = ()
    arguments: tuple[str, ...] = ()
    spare_arguments: tuple[str, ...] = ()
    groups: tuple[str, ...] = ("value",)
    required: bool = False
    ranged: bool = False


def by_name(*specs: CapabilitySpec) -> Mapping[str, CapabilitySpec]:
    """Return a table of capabilities."""
    return {spec.name: spec for spec in specs}


@dataclass(frozen=True, kw_only=True)
class Limits:
    """The values that a number may have, in the class's unit; ``None`` where the dialect says nothing.

    ``decade`` lists the steps within a decade, such as (1, 3).
    """

    minimum: float | None = None
    maximum: float | None = None
    step: float | None = None
    decade: tuple[float, ...] = ()

    def hold(self, value: float) -> bool:
        """True when ``value`` is inside the range (the steps are not looked at)."""
        low = -math.inf if self.minimum is None else self.minimum
        high = math.inf if self.maximum is None else self.maximum
        slack = _TINY * max(1.0, abs(value))
        return low - slack <= value <= high + slack

    def members(self) -> tuple[float, ...]:
        """Return the values of a range that goes in steps of a decade, else nothing."""
        if not self.decade or self.minimum is None or self.maximum is None:
            return ()
        powers = range(math.floor(math.log10(self.minimum)), math.ceil(math.log10(self.maximum)) + 1)
        values = (factor * 10.0**power for power in powers for factor in self.decade)
        return tuple(value for value in values if self.hold(value))


@dataclass(frozen=True, kw_only=True)
class Capability:
    """How one instrument is told or asked one thing: texts with places for values, and how to read the
    answer.

    ``scale`` is the size of the instrument's unit in the class's unit. ``tolerance`` and
    ``relative_tolerance`` say how far a value read back may be from the one sent.
    """

    spec: CapabilitySpec
    set_text: str | None = None
    ask_text: str | None = None
    reply: str | None = None
    scale: float = 1.0
    limits: Limits = field(default_factory=Limits)
    words: Mapping[str, str] = field(default_factory=dict)
    tolerance: float = 0.0
    relative_tolerance: float = 0.0
    bit: int | None = None
    inverted: bool = False
    overlapped: bool = False
    optional: bool = False
    readback: bool = True

    @property
    def name(self) -> str:
        """The class's name for it."""
        return self.spec.name

    @property
    def unit(self) -> str:
        """The unit of a number, as the class handles it."""
        return self.spec.unit

    @property
    def verified(self) -> bool:
        """True when a setting of it can be read back."""
        return self.readback and self.set_text is not None and self.ask_text is not None

    def shown(self, value: Value) -> str:
        """Return a value with its unit for messages."""
        if isinstance(value, bool):
            return "on" if value else "off"
        if isinstance(value, (int, float)):
            return f"{value:.12g}" + (f" {self.unit}" if self.unit not in ("", "1") else "")
        return value

    # --- sending

    def command(self, value: Value | None = None, *, instrument: str, **arguments: str | int | float) -> str:
        """Return the text that sets ``value``; RefusedError for one outside the dialect's range or words."""
        assert self.set_text is not None, f"{self.name} cannot be set"
        text = (
            self.set_text
            if value is None
            else self.set_text.replace("{value}", self._sent(value, instrument))
        )
        return _filled(text, arguments)

    def query(self, **arguments: str | int | float) -> str:
        """Return the text that asks."""
        assert self.ask_text is not None, f"{self.name} cannot be asked"
        return _filled(self.ask_text, arguments)

    def check(self, value: float, *, instrument: str) -> None:
        """RefusedError, before anything is sent, for a number outside the dialect's range."""
        if math.isfinite(value) and self.limits.hold(value):
            return
        raise RefusedError(
            f"{self.name} = {self.shown(value)} is out of range",
            instrument=instrument,
            next_step=f"allowed by its driver file: {self.allowed()}",
        )

    def allowed(self) -> str:
        """Return what may be set, in words."""
        if self.spec.kind in ("word", "boolean"):
            return ", ".join(self.words or _TRUTH_WORDS)
        low, high = self.limits.minimum, self.limits.maximum
        if low is None or high is None:
            return "any number"
        step = f" in steps of {self.shown(self.limits.step)}" if self.limits.step else ""
        return f"{self.shown(low)} to {self.shown(high)}{step}"

    def _sent(self, value: Value, instrument: str) -> str:
        if self.spec.kind == "boolean":
            key = "on" if value else "off"
            return self.words.get(key, _TRUTH_WORDS[key])
        if self.spec.kind == "word":
            return self._word(str(value), instrument)
        if self.spec.kind == "text":
            return '"' + visible(str(value), 200).replace('"', '""') + '"'
        number = float(value)
        self.check(number, instrument=instrument)
        return f"{number / self.scale:.12g}"

    def _word(self, value: str, instrument: str) -> str:
        try:
            return self.words[value]
        except KeyError:
            raise RefusedError(
                f"{self.name} = {value!r} is not known to its driver file",
                instrument=instrument,
                next_step=f"allowed: {self.allowed()}",
            ) from None

    # --- reading

    def match(self, reply: str, **arguments: str | int | float) -> re.Match[str] | None:
        """Match an answer with the reply pattern; without a pattern the whole answer is the value."""
        pattern = r"(?P<value>.*)" if self.reply is None else self.reply
        return re.fullmatch(_filled(pattern, arguments), reply.strip(" \t\r\n"), re.DOTALL)

    def read(self, reply: str, *, instrument: str, **arguments: str | int | float) -> Value:
        """Return the value in an answer; ReplyError for one that cannot be used."""
        asked = self.query(**arguments)
        found = self.match(reply, **arguments)
        if found is None:
            raise ReplyError(
                f"{asked} was answered with {quoted(reply)}, which does not fit {self.reply!r}",
                instrument=instrument,
                next_step=f"check the reply pattern of {self.name} in the driver file",
            )
        return self.value_of(found["value"], instrument=instrument, asked=asked)

    def value_of(self, text: str, *, instrument: str, asked: str) -> Value:
        """Return the value written as ``text``; ReplyError for one that cannot be used."""
        kind = self.spec.kind
        if kind == "boolean":
            return self._read_truth(text, instrument, asked)
        if kind == "word":
            return self._read_word(text, instrument, asked)
        if kind == "text":
            return replies.unquoted(text)
        number = replies.number(text, instrument=instrument, asked=asked)
        return round(number) if kind == "integer" else number * self.scale

    def _read_truth(self, text: str, instrument: str, asked: str) -> bool:
        if self.bit is not None:
            state = bool(int(replies.number(text, instrument=instrument, asked=asked)) >> self.bit & 1)
        elif self.words:
            state = self._read_word(text, instrument, asked) == "on"
        else:
            state = replies.truth(text, instrument=instrument, asked=asked)
        return state != self.inverted

    def _read_word(self, text: str, instrument: str, asked: str) -> str:
        for ours, theirs in self.words.items():
            if replies.matches_word(text, theirs):
                return ours
        # FORMat:DATA? adds a length to the type, as ASC,0 (SCPI-99 volume 2, chapter 9, from memory).
        kind, comma, length = text.partition(",")
        if comma and length.strip().isdigit():
            for ours, theirs in self.words.items():
                if "," not in theirs and replies.matches_word(kind, theirs):
                    return ours
        # A word of the instrument that we never set: shown as it is, so that a read-back names it.
        if self.spec.access != "r":
            return replies.unquoted(text)
        raise ReplyError(
            f"{asked} was answered with {quoted(text)}, which is none of {', '.join(self.words.values())}",
            instrument=instrument,
            next_step=f"add the word to {self.name} in the driver file",
        )

    def agrees(self, sent: Value, back: Value) -> bool:
        """True when a value read back is the one sent, within the dialect's tolerance."""
        if isinstance(sent, (bool, str)) or isinstance(back, (bool, str)):
            return sent == back
        allowed = max(self.tolerance, self.relative_tolerance * abs(sent), _TINY * abs(sent))
        return abs(back - sent) <= allowed + _TINY * allowed


def _filled(text: str, arguments: Mapping[str, str | int | float]) -> str:
    """Put arguments into their places. Other braces, as in a regular expression, stay as they are."""
    for name, value in arguments.items():
        text = text.replace("{" + name + "}", f"{value:.12g}" if isinstance(value, float) else str(value))
    return text


def places(text: str) -> Sequence[str]:
    """Return the names in braces in a text."""
    return re.findall(r"\{([a-z_]+)\}", text)
