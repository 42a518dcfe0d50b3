"""The DC supply: voltage, current limit and protection of each output, verified, and what it measures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from hilkit.errors import RefusedError
from hilkit.instruments.capability import CapabilitySpec, Kind, by_name
from hilkit.instruments.instrument import ScpiInstrument

__all__ = ["DcSupply", "SupplyLimits"]

_OUTPUT = ("output",)


def _number(name: str, unit: str, meaning: str, *, required: bool = False) -> CapabilitySpec:
    return CapabilitySpec(
        name=name,
        kind="number",
        meaning=meaning,
        unit=unit,
        required=required,
        ranged=required,
        spare_arguments=_OUTPUT,
    )


def _measured(name: str, unit: str, meaning: str) -> CapabilitySpec:
    return CapabilitySpec(
        name=name,
        kind="number",
        meaning=meaning,
        access="r",
        unit=unit,
        required=True,
        spare_arguments=_OUTPUT,
    )


def _switch(name: str, meaning: str, *, asked_only: bool = False, required: bool = False) -> CapabilitySpec:
    return CapabilitySpec(
        name=name,
        kind="boolean",
        meaning=meaning,
        access="r" if asked_only else "rw",
        required=required,
        spare_arguments=_OUTPUT,
    )


def _action(name: str, meaning: str) -> CapabilitySpec:
    kind: Kind = "action"
    return CapabilitySpec(name=name, kind=kind, meaning=meaning, access="w", spare_arguments=_OUTPUT)


@dataclass(frozen=True, kw_only=True)
class SupplyLimits:
    """What may be set, as (lowest, highest), from the driver file."""

    voltage_v: tuple[float, float]
    current_a: tuple[float, float]


class DcSupply(ScpiInstrument):
    """A DC supply with one output or several, numbered from 1 as at its terminals.

    It is never reset: that would take the power from what it feeds. Outputs are chosen by ``select``, or by a
    place ``{output}`` in the texts of the dialect; a dialect with neither has output 1 only.
    """

    INSTRUMENT_CLASS: ClassVar[str] = "dc_supply"
    CAPABILITIES: ClassVar[Mapping[str, CapabilitySpec]] = by_name(
        _action("reset", "back to the settings of the factory"),
        CapabilitySpec(name="select", kind="integer", meaning="output that the others speak of", unit="1"),
        _switch("output", "power at the output", required=True),
        _number("voltage", "V", "voltage", required=True),
        _number("current_limit", "A", "current that is not exceeded", required=True),
        _number("voltage_protection", "V", "voltage above which the output switches itself off"),
        _switch("voltage_protection_state", "the protection against over-voltage is in force"),
        _switch("current_protection", "the output switches itself off at the current limit"),
        _measured("measured_voltage", "V", "voltage at the output"),
        _measured("measured_current", "A", "current out of the output"),
        _switch("voltage_tripped", "over-voltage has switched the output off", asked_only=True),
        _switch("current_tripped", "over-current has switched the output off", asked_only=True),
        _action("clear_voltage_trip", "forget the over-voltage"),
        _action("clear_current_trip", "forget the over-current"),
    )
    OPTIONAL_SECTIONS: ClassVar[tuple[str, ...]] = ("settling",)

    def set_output(self, on: bool, *, output: int = 1) -> None:
        """Switch an output on or off, read back and settled.

        RefusedError if it does not follow, with the protection that holds it off where there is one.
        """
        self._select(output)
        try:
            self.apply({"output": on}, output=output)
        except RefusedError as error:
            if on and (trip := self._trip(output)):
                raise RefusedError(
                    f"output {output} stays off: its {trip} protection has tripped",
                    instrument=self.name,
                    next_step="find out why before it is cleared: a short, a wrong voltage or limit",
                ) from error
            raise
        self.link.clock.sleep(self.dialect.settling_s)

    def output(self, output: int = 1) -> bool:
        """Ask whether an output is on."""
        self._select(output)
        return bool(self.read("output", output=output))

    def set_voltage(self, volts: float, *, output: int = 1) -> float:
        """Set the voltage of an output and return what is read back; RefusedError where it cannot."""
        return self._set("voltage", volts, output)

    def voltage(self, output: int = 1) -> float:
        """Ask for the voltage that is set."""
        self._select(output)
        return self.read_number("voltage", output=output)

    def set_current_limit(self, amperes: float, *, output: int = 1) -> float:
        """Set the current limit of an output and return what is read back."""
        return self._set("current_limit", amperes, output)

    def current_limit(self, output: int = 1) -> float:
        """Ask for the current limit that is set."""
        self._select(output)
        return self.read_number("current_limit", output=output)

    def set_voltage_protection(self, volts: float, *, output: int = 1) -> float:
        """Set the voltage above which an output switches itself off, put it in force, and return it.

        RefusedError where the dialect knows no such protection.
        """
        if not self.has("voltage_protection"):
            raise RefusedError(
                f"its driver {self.dialect.name} knows no protection against over-voltage",
                instrument=self.name,
                next_step="leave it out of the bench file, or add voltage_protection to the driver",
            )
        back = self._set("voltage_protection", volts, output)
        if self.has("voltage_protection_state"):
            self.apply({"voltage_protection_state": True}, output=output)
        return back

    def measured_voltage(self, output: int = 1) -> float:
        """Measure the voltage at an output, in V."""
        self._select(output)
        return self.read_number("measured_voltage", output=output)

    def measured_current(self, output: int = 1) -> float:
        """Measure the current out of an output, in A."""
        self._select(output)
        return self.read_number("measured_current", output=output)

    def tripped(self, output: int = 1) -> str:
        """Ask which protection has switched an output off.

        ``over-voltage``, ``over-current``, or "" for none that the supply tells of.
        """
        self._select(output)
        return self._trip(output)

    def clear_trip(self, output: int = 1) -> None:
        """Forget what has tripped; the output stays off."""
        self._select(output)
        for name in ("clear_voltage_trip", "clear_current_trip"):
            if self.has(name):
                self.do(name, output=output)

    def limits(self) -> SupplyLimits:
        """Return what may be set, from the driver file; nothing is asked."""
        return SupplyLimits(voltage_v=self._bounds("voltage"), current_a=self._bounds("current_limit"))

    def _set(self, name: str, value: float, output: int) -> float:
        self._select(output)
        back = self.apply({name: value}, output=output)
        self.link.clock.sleep(self.dialect.settling_s)
        return float(back.get(name, value))

    def _trip(self, output: int) -> str:
        for name, words in (("voltage_tripped", "over-voltage"), ("current_tripped", "over-current")):
            if self.has(name) and self.read(name, output=output):
                return words
        return ""

    def _choose(self, arguments: Mapping[str, str | int | float]) -> None:
        if "output" in arguments and self.has("select"):
            self.link.set(self._capability("select").command(arguments["output"], instrument=self.name))

    def _select(self, output: int) -> None:
        """Choose the output, each time: somebody at the front panel may have chosen another one."""
        if self.has("select"):
            self.apply({"select": output})
        elif output != 1 and "{output}" not in (self._capability("output").set_text or ""):
            raise RefusedError(
                f"its driver {self.dialect.name} knows one output, not output {output}",
                instrument=self.name,
                next_step="correct the output in the bench file, or add select to the driver",
            )
