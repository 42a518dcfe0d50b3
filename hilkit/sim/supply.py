"""The simulated DC supply: SCPI-99 ``SOURce``, ``OUTPut`` and ``MEASure`` in front of its outputs.

An output is chosen by ``INSTrument:NSELect``, or by a channel list at the end of a command or query. After
``*RST`` every output is off; what is at power-on is the profile's business.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from hilkit.clock import Clock
from hilkit.sim.common import COMMON
from hilkit.sim.instrument import ScpiInstrument
from hilkit.sim.outputs import SimOutput, SimSupply
from hilkit.sim.parameters import Channels, Flag, Number, Parameter, Whole, nr3
from hilkit.sim.program import Datum
from hilkit.sim.scpi import Command, Tree
from hilkit.sim.status import ScpiError

__all__ = ["Supply"]

# SCPI-99 volume 1, clause 9.4: VOLTage and CURRent of the questionable register.
VOLTAGE_BIT, CURRENT_BIT = 0, 1


class Supply(ScpiInstrument):
    """A DC supply."""

    def __init__(self, name: str, clock: Clock, *, supply: SimSupply, **common: Any) -> None:
        self._supply = supply
        self.selected = min(supply.outputs)
        self._powered_up = False
        super().__init__(name, clock, **common)

    @property
    def highest_v(self) -> float:
        """The highest voltage of an output."""
        return self._supply.profile.highest.v

    @property
    def highest_a(self) -> float:
        """The highest current of an output."""
        return self._supply.profile.highest_current.a

    def reset_settings(self) -> None:
        """Every output off; at power-on they stay as the profile has them."""
        self.selected = min(self._supply.outputs)
        if self._powered_up:
            for output in self._supply.outputs.values():
                output.reset()
        self._powered_up = True

    def chosen(self, channels: Sequence[int]) -> list[int]:
        """Return the outputs that a command speaks of; raises ScpiError -222 for one that is not there."""
        for number in channels:
            if number not in self._supply.outputs:
                raise ScpiError(-222, f"output {number}")
        return list(channels) or [self.selected]

    def select(self, number: int) -> None:
        """``INSTrument:NSELect``."""
        self.chosen([number])
        self.selected = number

    def output(self, number: int) -> SimOutput:
        """Return an output."""
        return self._supply.outputs[number]

    def turn(self, number: int, on: bool) -> None:
        """``OUTPut:STATe``; raises ScpiError -221 for one that a protection holds off."""
        output = self.output(number)
        if on and output.tripped:
            raise ScpiError(-221, f"output {number} has tripped")
        output.turn(on)
        self.begin(self._supply.profile.rise_time.s)

    def clear_trip(self, number: int, kind: str) -> None:
        """``PROTection:CLEar``: the output stays off until it is switched on."""
        output = self.output(number)
        if output.tripped == kind:
            output.tripped = ""

    def measure(self, number: int, what: str) -> float:
        """``MEASure``: a voltage in V or a current in A."""
        read = self._supply.measured_v if what == "voltage" else self._supply.measured_a
        return read(number)

    def refresh_status(self) -> None:
        """Bring the questionable condition up to date: what has tripped."""
        tripped = {output.tripped for output in self._supply.outputs.values()}
        self.status.questionable.update(
            ("voltage" in tripped) << VOLTAGE_BIT | ("current" in tripped) << CURRENT_BIT
        )


@dataclass(frozen=True, kw_only=True)
class _Asked(Parameter):
    """What a query of a setting may hold: MINimum, MAXimum or DEFault, or a channel list."""

    accepts = ("word", "expression")
    of: Parameter

    def convert(self, datum: Datum, instrument: Any) -> Any:
        if datum.kind == "expression":
            return _LIST.convert(datum, instrument)
        return self.of.special(datum.text, instrument)


_LIST = Channels()


def _split(arguments: tuple[Any, ...]) -> tuple[tuple[int, ...], list[Any]]:
    """Return the channel list among the arguments of a query, and the others."""
    lists = [each for each in arguments if isinstance(each, tuple)]
    return (lists[0] if lists else ()), [each for each in arguments if not isinstance(each, tuple)]


def _setting(
    pattern: str,
    kind: Parameter,
    *,
    get: Callable[[Supply, int], Any],
    put: Callable[[Supply, int, Any], None],
) -> Command:
    """Return the row of a setting of an output."""

    def do(supply: Supply, value: Any, channels: Sequence[int] = ()) -> None:
        for number in supply.chosen(channels):
            put(supply, number, value)

    def ask(supply: Supply, *arguments: Any) -> str:
        channels, special = _split(arguments)
        values = special or [get(supply, number) for number in supply.chosen(channels)]
        return ",".join(kind.answer(value, supply) for value in values)

    asked = _Asked(of=kind)
    return Command(
        pattern=pattern, takes=(kind, _LIST), takes_spare=1, do=do, asks=(asked, asked), asks_spare=2, ask=ask
    )


def _attribute(pattern: str, key: str, kind: Parameter) -> Command:
    return _setting(
        pattern,
        kind,
        get=lambda supply, number: getattr(supply.output(number), key),
        put=lambda supply, number, value: supply.output(number).change(key, value),
    )


def _query(pattern: str, get: Callable[[Supply, int], str]) -> Command:
    def ask(supply: Supply, channels: Sequence[int] = ()) -> str:
        return ",".join(get(supply, number) for number in supply.chosen(channels))

    return Command(pattern=pattern, asks=(_LIST,), asks_spare=1, ask=ask)


def _measured(quantity: str, what: str) -> Command:
    return _query(f":MEASure[:SCALar]:{quantity}[:DC]", lambda supply, n: nr3(supply.measure(n, what)))


def _protection(quantity: str, kind: str) -> tuple[Command, ...]:
    def clear(supply: Supply, channels: Sequence[int] = ()) -> None:
        for number in supply.chosen(channels):
            supply.clear_trip(number, kind)

    tree = f"[:SOURce]:{quantity}:PROTection"
    return (
        _attribute(f"{tree}:STATe", f"{kind}_protection", Flag()),
        _query(f"{tree}:TRIPped", lambda supply, n: "1" if supply.output(n).tripped == kind else "0"),
        Command(pattern=f"{tree}:CLEar", takes=(_LIST,), takes_spare=1, do=clear),
    )


def _highest_v(supply: Any) -> float:
    return float(supply.highest_v)


def _highest_a(supply: Any) -> float:
    return float(supply.highest_a)


def _ceiling_v(supply: Any) -> float:
    return 1.1 * float(supply.highest_v)


Supply.tree = Tree(
    (
        *COMMON,
        Command(
            pattern=":INSTrument:NSELect",
            takes=(Whole(low=1, high=99),),
            do=lambda supply, number: supply.select(number),
            ask=lambda supply: str(supply.selected),
        ),
        _setting(
            ":OUTPut[:STATe]",
            Flag(),
            get=lambda supply, number: supply.output(number).on,
            put=lambda supply, number, on: supply.turn(number, on),
        ),
        _attribute(
            "[:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
            "voltage_v",
            Number(unit="V", low=0.0, high=_highest_v),
        ),
        _attribute(
            "[:SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]",
            "limit_a",
            Number(unit="A", low=0.0, high=_highest_a, default=_highest_a),
        ),
        _attribute(
            "[:SOURce]:VOLTage:PROTection[:LEVel]",
            "protection_v",
            Number(unit="V", low=0.0, high=_ceiling_v, default=_ceiling_v),
        ),
        *_protection("VOLTage", "voltage"),
        *_protection("CURRent", "current"),
        _measured("VOLTage", "voltage"),
        _measured("CURRent", "current"),
    )
)
