"""The interlocks of a bench file: the model of an entry, and what pydantic cannot see of it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, WithJsonSchema

from hilkit.bench.interlocks import ASKED, READS, Checked, Interlock, Readable
from hilkit.files import FileModel, Loc
from hilkit.files.notes import Notes, did_you_mean, listed
from hilkit.quantities import Level, QuantityError

if TYPE_CHECKING:
    from hilkit.bench.spec import InstrumentSpec

__all__ = ["InterlockEntry", "read_interlocks"]

_BOUND_SCHEMA = {
    "oneOf": [
        {"type": "string", "examples": ["10 dB", "70 °C", "3 A"], "description": "with the unit of `read`"},
        {"type": "number", "description": "what a query of `ask` answers"},
    ]
}

Bound = Annotated[Any, WithJsonSchema(_BOUND_SCHEMA)]

_QUERY = re.compile(r"[:*]?[A-Za-z][\w:]*\?(\s+\S.*)?", re.DOTALL)
"""A SCPI query: a header that ends in a question mark, and its parameters after a space."""

_DISTURBING = ("*TST", "*CAL", "*ESR", "*OPC", "SYST:ERR", "SYSTEM:ERR")
"""Headers that start something, wait for something, or take away what the run itself has to read."""

_SWEEPING = ("INIT", "READ", "MEAS", "FETC", "TRAC", "CALC")
"""What makes an analyser measure, or brings much data, in the middle of the run's own sweep."""


class InterlockEntry(FileModel):
    """Something that must hold while RF is on."""

    instrument: str = Field(description="instrument that tells it, or radio")
    read: (
        Literal["return_loss", "forward", "reflected", "temperature", "reference", "current", "voltage"]
        | None
    ) = Field(None, description="what is read, in words")
    ask: str | None = Field(None, description="or the SCPI query that is asked")
    channel: int | None = Field(
        None, description="channel of the radio; every channel that has RF on where nothing is said"
    )
    output: Annotated[int, Field(ge=1)] | None = Field(
        None, description="output of a supply; 1 where nothing is said"
    )
    min: Bound = Field(None, description="lowest value allowed")
    max: Bound = Field(None, description="highest value allowed")
    is_: str | int | float | None = Field(None, alias="is", description="the only answer allowed")
    checked: Checked = Field(
        "always",
        description="before_rf: each time before RF comes on; low_power: at the lowest level of the ramp; "
        "always: at both, and all the time while RF is on",
    )
    above: Level | None = Field(
        None, description="expected level at the port from which on a reading with RF means something"
    )
    what_to_do: str = Field("", description="what a person has to do once it has tripped")


def read_interlocks(
    entries: Mapping[str, InterlockEntry],
    instruments: Mapping[str, InstrumentSpec],
    channels: tuple[int, ...],
    notes: Notes,
) -> dict[str, Interlock]:
    """Return the interlocks of a bench file, mistakes at their places; ``instruments`` hold the radio too."""
    found = {
        name: _Check(name, entry, instruments, channels, notes).interlock() for name, entry in entries.items()
    }
    return {name: interlock for name, interlock in found.items() if interlock is not None}


class _Check:
    """Looks at one entry."""

    def __init__(
        self,
        name: str,
        entry: InterlockEntry,
        instruments: Mapping[str, InstrumentSpec],
        channels: tuple[int, ...],
        notes: Notes,
    ) -> None:
        self.name, self.entry, self.notes = name, entry, notes
        self.instruments, self.channels = instruments, channels
        self.loc: Loc = ("interlocks", name)

    def interlock(self) -> Interlock | None:
        """Return the interlock, ``None`` where its entry has mistakes."""
        before = len(self.notes.problems)
        spec = self._spec()
        readable = self._readable(spec) if spec is not None else None
        if spec is None or readable is None:
            return None
        low, high = self._bound("min", readable), self._bound("max", readable)
        self._allowed(readable, low, high)
        self._place(readable)
        if len(self.notes.problems) > before:
            return None
        entry = self.entry
        return Interlock(
            name=self.name,
            instrument=spec.name,
            instrument_class=spec.instrument_class,
            readable=readable,
            read=entry.read or "",
            ask=(entry.ask or "").strip(),
            channel=entry.channel,
            output=entry.output,
            low=low,
            high=high,
            word=None if entry.is_ is None else str(entry.is_),
            checked=entry.checked,
            above_dbm=-math.inf if entry.above is None else entry.above.dbm,
            what_to_do=entry.what_to_do,
        )

    def _note(self, key: str, message: str, **parts: Any) -> None:
        self.notes.add((*self.loc, key) if key else self.loc, message, **parts)

    def _spec(self) -> InstrumentSpec | None:
        name = self.entry.instrument
        spec = self.instruments.get(name)
        if spec is None:
            hint = did_you_mean(name, self.instruments)
            self._note(
                "instrument",
                f"there is no instrument {name!r}",
                allowed=listed(self.instruments),
                next_step=hint,
            )
        # The class is empty, and the dialect missing, where the instrument's own entry has a mistake.
        return spec if spec is not None and spec.instrument_class and spec.dialect is not None else None

    def _readable(self, spec: InstrumentSpec) -> Readable | None:
        entry = self.entry
        reads = READS.get(spec.instrument_class, {})
        if (entry.read is None) == (entry.ask is None):
            self._note(
                "ask" if entry.ask is not None else "",
                "an interlock reads one thing: either `read` or `ask`",
                next_step=f"write read: and one of {listed(reads)}, or ask: with a SCPI query",
                at_key=True,
            )
            return None
        if entry.ask is not None:
            return self._asked(entry.ask, spec)
        assert entry.read is not None
        if entry.read not in reads:
            kind = spec.instrument_class.replace("_", " ")
            self._note(
                "read",
                f"{entry.read} cannot be read of a {kind}",
                allowed=listed(reads, nothing="a query under `ask`"),
                next_step="name the instrument that tells it, or ask for it by a SCPI query under `ask`",
            )
            return None
        readable = reads[entry.read]
        if not any(all(map(spec.dialect.has, needed)) for needed in readable.capabilities):
            ways = " or ".join(" with ".join(needed) for needed in readable.capabilities)
            self._note(
                "read",
                f"the driver {spec.driver} of {spec.name} cannot read {entry.read}",
                next_step=f"add {ways} to the driver file, or take another instrument",
            )
            return None
        return readable

    def _asked(self, text: str, spec: InstrumentSpec) -> Readable | None:
        if spec.instrument_class == "radio":
            self._note(
                "ask",
                "a radio has a command line of its own, not SCPI",
                allowed=listed(READS["radio"]),
                next_step="use `read`, or ask another instrument",
            )
            return None
        query = text.strip()
        if not (_QUERY.fullmatch(query) and query.isascii() and query.isprintable()) or ";" in query:
            self._note(
                "ask",
                "an interlock asks one SCPI query, and sends nothing that sets anything",
                seen=text,
                allowed='a query such as ":SENSe:DIGital:DATA? (@1)"',
            )
            return None
        header = query.split("?")[0].upper().lstrip(":")
        refused = _DISTURBING + (_SWEEPING if spec.instrument_class == "signal_analyser" else ())
        if header.startswith(refused):
            self._note(
                "ask",
                "this query starts something, waits, or takes away what the run itself has to read",
                seen=text,
                allowed="a query that changes nothing, such as that of a condition register",
            )
            return None
        return ASKED

    def _bound(self, key: Literal["min", "max"], readable: Readable) -> float | None:
        value = getattr(self.entry, key)
        if value is None:
            return None
        if readable.words:
            self._note(
                key,
                f"{self.entry.read} is a word and has no {key}",
                next_step=f"write is: {readable.words[0]}",
                at_key=True,
            )
            return None
        kind = readable.quantity
        if kind is None:
            if isinstance(value, (int, float)) and not isinstance(value, bool):
                return float(value)
            self._note(
                key,
                "the answer to a query is a plain number",
                seen=str(value),
                allowed="a number without a unit",
            )
            return None
        try:
            return kind.parse(value if isinstance(value, str) else str(value)).base
        except QuantityError as error:
            self.notes.add_error((*self.loc, key), error)
            return None

    def _allowed(self, readable: Readable, low: float | None, high: float | None) -> None:
        entry = self.entry
        bounds = [key for key in ("min", "max") if getattr(entry, key) is not None]
        if entry.is_ is None and not bounds:
            ways = (
                f"is: {readable.words[0]}"
                if readable.words
                else "min:, max:" + ("" if readable.quantity else " or is:")
            )
            self._note("", "nothing says what is allowed", next_step=f"add {ways}", at_key=True)
        elif entry.is_ is not None and bounds:
            self._note(
                "is",
                f"`is` and `{bounds[0]}` exclude each other",
                next_step="delete one of both",
                at_key=True,
            )
        elif entry.is_ is not None and readable.words and str(entry.is_) not in readable.words:
            self._note("is", f"{entry.read} cannot be {entry.is_}", allowed=listed(readable.words))
        elif entry.is_ is not None and readable.quantity is not None:
            self._note(
                "is", f"{entry.read} is a number", next_step="give its window by min: and max:", at_key=True
            )
        if low is not None and high is not None and low > high:
            self._note(
                "max",
                "nothing lies between `min` and `max`",
                seen=str(entry.max),
                allowed=f"{entry.min} or more",
            )

    def _place(self, readable: Readable) -> None:
        entry = self.entry
        if entry.channel is not None and readable.of != "channel":
            self._note("channel", "only what is read at a port belongs to a channel", at_key=True)
        elif entry.channel is not None and entry.channel not in self.channels:
            self._note("channel", f"the radio has no channel {entry.channel}", allowed=listed(self.channels))
        if entry.output is not None and readable.of != "output":
            self._note("output", "only a supply has outputs", at_key=True)
        if entry.above is not None and not readable.with_rf:
            self._note("above", "this is read with RF off too, whatever the level", at_key=True)
        if entry.checked == "before_rf" and readable.with_rf:
            self._note(
                "checked",
                f"{entry.read} can be read only while RF is on",
                allowed="low_power, always",
            )
