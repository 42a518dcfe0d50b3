"""Interlocks: what must hold on the bench while RF is on, what it is read from, and one reading of it.

The table says what can be read of each class of instrument; checks of the file, readings and texts derive
from it. Anything else is asked by a SCPI query of the bench file.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from hilkit.errors import HilkitError, ReplyError
from hilkit.quantities import Current, Level, Quantity, Ratio, Temperature, Voltage

if TYPE_CHECKING:
    from hilkit.bench.connected import Connected

__all__ = ["ASKED", "READS", "Checked", "Interlock", "Readable", "Seen", "instrument_of", "look_at"]

Checked = Literal["before_rf", "low_power", "always"]

Value = float | str


@dataclass(frozen=True, kw_only=True)
class Readable:
    """Something that a class of instruments tells of itself.

    ``quantity`` is the kind of a number and ``unit`` its base unit, ``None`` where it is one of ``words``.
    ``of`` says that there is one for each channel of the radio or each output of a supply. ``with_rf`` is
    true where it means something only while RF is on. ``capabilities`` lists what the driver needs, any one
    of them in full.
    """

    noun: str
    quantity: type[Quantity] | None = None
    unit: str = ""
    words: tuple[str, ...] = ()
    of: Literal["", "channel", "output"] = ""
    with_rf: bool = False
    capabilities: tuple[tuple[str, ...], ...] = ()
    what_to_do: str


_LOOK_AT_PORT = (
    "touch no connector before RF is off; then see that the port ends in its load or coupler, that every "
    "connector is tight and no cable is broken, and run again"
)
_LOOK_AT_SUPPLY = (
    "look for a short, a wrong bias or a part that is missing behind this output before it is on again"
)
_REFERENCE = Readable(
    noun="lock to the reference",
    words=("locked",),
    capabilities=(("reference_locked",), ("reference_state",)),
    what_to_do="check the reference, its cable and its level, and run again",
)


def _port(noun: str, quantity: type[Quantity], unit: str, *capabilities: tuple[str, ...]) -> Readable:
    return Readable(
        noun=noun,
        quantity=quantity,
        unit=unit,
        of="channel",
        with_rf=True,
        capabilities=capabilities,
        what_to_do=_LOOK_AT_PORT,
    )


def _output(noun: str, quantity: type[Quantity], unit: str, capability: str) -> Readable:
    return Readable(
        noun=noun,
        quantity=quantity,
        unit=unit,
        of="output",
        capabilities=((capability,),),
        what_to_do=_LOOK_AT_SUPPLY,
    )


READS: Mapping[str, Mapping[str, Readable]] = {
    "radio": {
        "return_loss": _port(
            "return loss at the port", Ratio, "dB", ("return_loss",), ("forward_level", "reflected_level")
        ),
        "forward": _port("forward level at the port", Level, "dBm", ("forward_level",)),
        "reflected": _port("reflected level at the port", Level, "dBm", ("reflected_level",)),
        "temperature": Readable(
            noun="temperature",
            quantity=Temperature,
            unit="°C",
            capabilities=(("temperature",),),
            what_to_do="let it cool, see to its air and its heat sink, and run again",
        ),
        "reference": _REFERENCE,
    },
    "signal_analyser": {"reference": _REFERENCE},
    "signal_generator": {"reference": _REFERENCE},
    "dc_supply": {
        "current": _output("current", Current, "A", "measured_current"),
        "voltage": _output("voltage", Voltage, "V", "measured_voltage"),
    },
}
"""What an interlock can read, by class of instrument."""

ASKED = Readable(noun="answer", what_to_do="see to it that it answers as it should, and run again")
"""What a query of the bench file asks for."""


@dataclass(frozen=True, kw_only=True)
class Interlock:
    """One interlock of a bench.

    It reads ``read`` of the table, or asks ``ask``, of ``instrument``. ``low`` and ``high`` bound a number in
    the unit of its kind, ``word`` is the only answer allowed; ``channel`` and ``output`` are ``None`` for all
    channels and the first output. ``above_dbm`` is the expected level at the port from which on a reading
    with RF means something.
    """

    name: str
    instrument: str
    instrument_class: str
    readable: Readable
    read: str = ""
    ask: str = ""
    channel: int | None = None
    output: int | None = None
    low: float | None = None
    high: float | None = None
    word: str | None = None
    checked: Checked = "always"
    above_dbm: float = -math.inf
    what_to_do: str = ""

    @property
    def with_rf(self) -> bool:
        """True where it can be read with RF on only."""
        return self.readable.with_rf

    @property
    def next_step(self) -> str:
        """What a person has to do once it has tripped."""
        return self.what_to_do or self.readable.what_to_do

    def subject(self, channel: int | None = None) -> str:
        """Return in words what is read: ``return loss at the port of channel 1``."""
        if self.ask:
            return f"the answer of {self.instrument} to {self.ask}"
        if channel is not None:
            return f"{self.readable.noun} of channel {channel}"
        where = f" output {self.output}" if self.output is not None else ""
        return f"{self.readable.noun} of {self.instrument}{where}"

    @property
    def allowed(self) -> str:
        """What it may be, in words."""
        if self.word is not None:
            return self.word
        low, high = (None if bound is None else self.shown(bound) for bound in (self.low, self.high))
        if low is None:
            return f"{high} or less"
        return f"{low} or more" if high is None else f"{low} to {high}"

    def shown(self, value: Value) -> str:
        """Return a value with its unit."""
        if isinstance(value, str):
            return value
        return f"{round(value, 6):.6g} {self.readable.unit}".rstrip()

    def allows(self, value: Value) -> bool:
        """Return whether a value is as it must be; what is no number is never within bounds."""
        if self.word is not None:
            return _same(self.word, value)
        if isinstance(value, str):
            return False
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True, kw_only=True)
class Seen:
    """One reading of an interlock: ``value`` as text, and whether it holds.

    ``trouble`` says why it could not be read, which counts as tripped.
    """

    interlock: Interlock
    value: str = ""
    held: bool = False
    trouble: str = ""
    channel: int | None = None

    @property
    def sentence(self) -> str:
        """What was seen and what is allowed."""
        subject, allowed = self.interlock.subject(self.channel), self.interlock.allowed
        if self.trouble:
            return f"{subject} cannot be read ({self.trouble}), and must be {allowed}"
        return f"{subject} is {self.value}, and must be {allowed}"

    @property
    def next_step(self) -> str:
        """What a person has to do about it; what could not be read says nothing of what it would guard."""
        if self.trouble:
            return f"check power, cable and address of {self.interlock.instrument}, then run again"
        return self.interlock.next_step


def look_at(interlock: Interlock, item: Any, *, channel: int | None = None) -> Seen:
    """Read an interlock from its open instrument; what cannot be read does not hold.

    Errors of the instrument are in the result, never raised.
    """
    try:
        value = _value(interlock, item, channel)
    except HilkitError as error:
        trouble = error.message.removeprefix(f"{interlock.instrument}: ")
        return Seen(interlock=interlock, trouble=trouble, channel=channel)
    return Seen(
        interlock=interlock, value=interlock.shown(value), held=interlock.allows(value), channel=channel
    )


def instrument_of(interlock: Interlock, connected: Connected) -> Any:
    """Return the open instrument that an interlock is read from."""
    return (
        connected.radio
        if interlock.instrument_class == "radio"
        else connected.instruments[interlock.instrument]
    )


def _value(interlock: Interlock, item: Any, channel: int | None) -> Value:
    if interlock.ask:
        return _answer(interlock, item)
    if interlock.read == "reference":
        return _reference(interlock, item)
    if interlock.read == "temperature":
        return float(item.temperature_c())
    if interlock.readable.of == "output":
        measure = item.measured_current if interlock.read == "current" else item.measured_voltage
        return float(measure() if interlock.output is None else measure(interlock.output))
    ask = {
        "return_loss": "return_loss_db",
        "forward": "forward_level_dbm",
        "reflected": "reflected_level_dbm",
    }
    return float(getattr(item, ask[interlock.read])(channel))


def _answer(interlock: Interlock, item: Any) -> Value:
    """Return the answer to a query: a number where it is one, else its word."""
    from hilkit.instruments.replies import finite, unquoted

    reply = unquoted(item.link.surely(interlock.ask, lambda: item.link.ask(interlock.ask)))
    try:
        number = float(reply)
    except ValueError:
        return reply
    return finite(number, instrument=interlock.instrument, asked=interlock.ask)


def _reference(interlock: Interlock, item: Any) -> Value:
    if interlock.instrument_class == "radio":
        return str(item.reference_state())
    locked = item.status().reference_locked
    if locked is None:
        raise ReplyError("it cannot tell whether it is locked", instrument=interlock.instrument)
    return "locked" if locked else "not locked"


def _same(wanted: str, value: Value) -> bool:
    try:
        return math.isclose(float(wanted), float(value), rel_tol=1e-9)
    except ValueError:
        return wanted.casefold() == str(value).casefold()
