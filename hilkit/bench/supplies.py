"""What powers a bench, in its order, and what cuts RF where the radio does not obey: keys and checks."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from hilkit.files import FileModel, Loc
from hilkit.files.notes import Notes, did_you_mean, listed
from hilkit.quantities import Between, Current, Duration, Fraction, Level, Voltage

if TYPE_CHECKING:
    from hilkit.bench.spec import InstrumentSpec

__all__ = [
    "CurrentEntry",
    "SecondMeans",
    "SecondMeansEntry",
    "SupplyEntry",
    "SupplyRail",
    "check_off_level",
    "read_second_means",
    "read_supplies",
]

SUPPLY, SWITCH, RADIO = "dc_supply", "switch_matrix", "radio"

OFF_UNDER_DB = 20.0
"""How far ``off_level`` lies under the radio's highest level at least. Common practice, no source."""

Output = Annotated[int, Field(ge=1)]
Time = Annotated[Duration, Between(above="0 s")]


class CurrentEntry(FileModel):
    """Between which currents an output has to lie once it is up, with all RF off."""

    min: Current = Field(default=Current.parse("0 A"), description="lowest")
    max: Current = Field(description="highest")


class SupplyEntry(FileModel):
    """One output of a supply that powers something on the bench."""

    instrument: str = Field(description="the supply, by its name among the instruments")
    output: Output = Field(1, description="number of the output, as at its terminals")
    voltage: Voltage = Field(description="voltage at the output")
    current_limit: Current = Field(description="current that it does not exceed")
    over_voltage: Voltage | None = Field(
        None, description="voltage above which it is to switch itself off; left as it is where not given"
    )
    feeds: str = Field(description="radio, or in words what else it powers, such as gate of the amplifier")
    tolerance: Annotated[Fraction, Between(above="0 %", high="50 %")] = Field(
        Fraction.parse("3 %"), description="how far the measured voltage may lie from `voltage`"
    )
    current: CurrentEntry | None = Field(
        None, description="window of the measured current once it is up; not looked at where not given"
    )
    settles_within: Time = Field(
        Duration.parse("1 s"), description="until when the measured values have to lie in their windows"
    )
    boots_within: Time = Field(
        Duration.parse("60 s"), description="with feeds: radio, until when the radio has to answer"
    )
    when_safe: Literal["off", "stays"] | None = Field(
        None,
        description="whether the safe state at the end of a run switches it off; what feeds the radio stays, "
        "everything else goes off, where nothing is said",
    )


class SecondMeansEntry(FileModel):
    """What cuts RF of some channels where the radio does not obey: an output of a supply, or a relay."""

    channels: list[int] = Field(description="channels of the radio whose RF it cuts")
    instrument: str = Field(description="supply or switch, by its name among the instruments")
    output: Output | None = Field(None, description="of a supply: the output to switch off")
    open: list[int] | None = Field(
        None, description="of a switch: the channels to open; a relay that stands this under RF"
    )


@dataclass(frozen=True, kw_only=True)
class SupplyRail:
    """One output that powers something: what is set (V, A), and where its measured values have to lie."""

    instrument: str
    output: int
    voltage_v: float
    limit_a: float
    over_voltage_v: float | None
    feeds: str
    tolerance: float
    current_a: tuple[float, float] | None
    settles_s: float
    boots_s: float
    off_when_safe: bool

    @property
    def name(self) -> str:
        """What messages call it."""
        return f"{self.instrument} output {self.output}"


@dataclass(frozen=True, kw_only=True)
class SecondMeans:
    """What cuts RF of ``channels``: ``output`` of a supply, or the relays ``open`` of a switch."""

    channels: tuple[int, ...]
    instrument: str
    output: int | None = None
    open: tuple[int, ...] = ()

    @property
    def name(self) -> str:
        """What messages call it."""
        if self.output is not None:
            return f"{self.instrument} output {self.output}"
        return f"relay {', '.join(map(str, self.open))} of {self.instrument}"


def read_supplies(
    entries: Sequence[SupplyEntry], instruments: Mapping[str, InstrumentSpec], notes: Notes
) -> tuple[SupplyRail, ...]:
    """Return the outputs in the order of switching on, mistakes at their places."""
    seen: set[tuple[str, int]] = set()
    for number, entry in enumerate(entries):
        loc: Loc = ("supplies", number)
        spec = _instrument(entry.instrument, (SUPPLY,), instruments, loc, notes)
        if (entry.instrument, entry.output) in seen:
            message = f"{entry.instrument} output {entry.output} is here already"
            notes.add(loc, message, next_step="each output has one place in the order")
        seen.add((entry.instrument, entry.output))
        _within(entry, spec, loc, notes)
        _windows(entry, loc, notes)
    return tuple(_rail(entry) for entry in entries)


def _rail(entry: SupplyEntry) -> SupplyRail:
    window = entry.current
    off = entry.feeds != RADIO if entry.when_safe is None else entry.when_safe == "off"
    return SupplyRail(
        instrument=entry.instrument,
        output=entry.output,
        voltage_v=entry.voltage.v,
        limit_a=entry.current_limit.a,
        over_voltage_v=None if entry.over_voltage is None else entry.over_voltage.v,
        feeds=entry.feeds,
        tolerance=entry.tolerance.value,
        current_a=None if window is None else (window.min.a, window.max.a),
        settles_s=entry.settles_within.s,
        boots_s=entry.boots_within.s,
        off_when_safe=off,
    )


def _instrument(
    name: str, classes: tuple[str, ...], instruments: Mapping[str, InstrumentSpec], loc: Loc, notes: Notes
) -> InstrumentSpec | None:
    fitting = [each for each, spec in instruments.items() if spec.instrument_class in classes]
    what = " or a ".join(each.replace("_", " ").replace("dc", "DC") for each in classes)
    spec = instruments.get(name)
    if spec is None or (spec.instrument_class and spec.instrument_class not in classes):
        problem = f"there is no instrument {name!r}" if spec is None else f"{name} is no {what}"
        notes.add(
            (*loc, "instrument"),
            problem,
            seen=name,
            allowed=listed(fitting, nothing=f"nothing: there is no {what} among the instruments"),
            next_step=did_you_mean(name, fitting),
        )
        return None
    # The dialect is missing where the instrument's own entry has a mistake.
    return spec if spec.instrument_class and spec.dialect is not None else None


def _within(entry: SupplyEntry, spec: InstrumentSpec | None, loc: Loc, notes: Notes) -> None:
    if spec is None:
        return
    for key, name, value in (
        ("voltage", "voltage", entry.voltage),
        ("current_limit", "current_limit", entry.current_limit),
        ("over_voltage", "voltage_protection", entry.over_voltage),
    ):
        capability = spec.dialect.capabilities.get(name)
        if value is None:
            continue
        if capability is None:
            hint = f"leave it out, or add {name} to the driver"
            notes.add((*loc, key), f"the driver {spec.driver} has no {name}", next_step=hint, at_key=True)
        elif not capability.limits.hold(value.base):
            notes.add(
                (*loc, key),
                f"the driver {spec.driver} does not set this",
                seen=str(value),
                allowed=capability.allowed(),
            )
    _output(spec, entry.output, (*loc, "output"), notes)


def _output(spec: InstrumentSpec, output: int, loc: Loc, notes: Notes) -> None:
    select = spec.dialect.capabilities.get("select")
    listed_outputs = "{output}" in (spec.dialect.capabilities["output"].set_text or "")
    if select is not None and not select.limits.hold(output):
        notes.add(loc, f"{spec.name} has no such output", seen=str(output), allowed=select.allowed())
    elif select is None and not listed_outputs and output != 1:
        notes.add(loc, f"the driver {spec.driver} knows one output", seen=str(output), allowed="1")


def _windows(entry: SupplyEntry, loc: Loc, notes: Notes) -> None:
    if entry.voltage.v <= 0:
        notes.add((*loc, "voltage"), "a voltage above zero is needed", seen=str(entry.voltage))
    if entry.current_limit.a <= 0:
        notes.add((*loc, "current_limit"), "a current above zero is needed", seen=str(entry.current_limit))
    if entry.over_voltage is not None and entry.over_voltage.v <= entry.voltage.v:
        notes.add(
            (*loc, "over_voltage"),
            f"this would trip at the voltage itself, {entry.voltage}",
            seen=str(entry.over_voltage),
            allowed=f"more than {entry.voltage}",
        )
    window = entry.current
    if window is not None and not 0 <= window.min.a < window.max.a <= entry.current_limit.a:
        notes.add(
            (*loc, "current"),
            "a window runs from a lower to a higher current, up to the limit",
            seen=f"{window.min} to {window.max}, limit {entry.current_limit}",
        )
    if not entry.feeds.strip():
        notes.add((*loc, "feeds"), "what it feeds is missing", allowed="radio, or a few words")


def read_second_means(
    entries: Sequence[SecondMeansEntry],
    instruments: Mapping[str, InstrumentSpec],
    channels: Collection[int],
    rails: Sequence[SupplyRail],
    notes: Notes,
) -> tuple[SecondMeans, ...]:
    """Return what cuts RF where the radio does not obey, mistakes at their places.

    Where ``rails`` say what feeds the radio, another output would leave its RF on and is a mistake.
    """
    feeding = [(rail.instrument, rail.output) for rail in rails if rail.feeds == RADIO]
    for number, entry in enumerate(entries):
        loc: Loc = ("second_means", number)
        for index, channel in enumerate(entry.channels):
            if channel not in channels:
                message = f"the radio has no channel {channel}"
                notes.add((*loc, "channels", index), message, allowed=listed(channels))
        if not entry.channels:
            notes.add((*loc, "channels"), "at least one channel is needed", allowed=listed(channels))
        spec = _instrument(entry.instrument, (SUPPLY, SWITCH), instruments, loc, notes)
        if spec is not None and _how(entry, spec, loc, notes) and spec.instrument_class == SUPPLY:
            _feeds_radio(entry, feeding, loc, notes)
    return tuple(
        SecondMeans(
            channels=tuple(entry.channels),
            instrument=entry.instrument,
            output=entry.output,
            open=tuple(entry.open or ()),
        )
        for entry in entries
    )


def _how(entry: SecondMeansEntry, spec: InstrumentSpec, loc: Loc, notes: Notes) -> bool:
    before = len(notes.problems)
    supply = spec.instrument_class == SUPPLY
    needed, other = ("output", "open") if supply else ("open", "output")
    if getattr(entry, other) is not None:
        words = "a supply is switched off" if supply else "a switch is opened"
        hint = f"write {needed}: in its place"
        notes.add((*loc, other), f"{words}: `{other}` does not go with it", next_step=hint, at_key=True)
    elif not getattr(entry, needed):
        hint = "add output: 1" if supply else "add open: [101], the channels of the switch to open"
        notes.add(loc, f"`{needed}` is missing: what of {spec.name} cuts RF", next_step=hint)
    elif supply and entry.output is not None:
        _output(spec, entry.output, (*loc, "output"), notes)
    elif not supply and "open" not in spec.dialect.capabilities:
        hint = "add open: to its driver file, or name a supply"
        notes.add((*loc, "instrument"), f"the driver {spec.driver} cannot open single relays", next_step=hint)
    return len(notes.problems) == before


def _feeds_radio(entry: SecondMeansEntry, feeding: Sequence[tuple[str, int]], loc: Loc, notes: Notes) -> None:
    if not feeding or (entry.instrument, entry.output) in feeding:
        return
    notes.add(
        (*loc, "output"),
        f"{entry.instrument} output {entry.output} does not feed the radio: switched off, it leaves RF on",
        seen=str(entry.output),
        allowed=listed([f"{name} output {output}" for name, output in feeding]),
        next_step="name what feeds the radio, or correct supplies",
    )


def check_off_level(off: Level, highest: Level, notes: Notes) -> None:
    """Refuse an ``off_level`` that a radio with RF on stays under, as RF off would be confirmed by it."""
    most_dbm = highest.dbm - OFF_UNDER_DB
    if off.dbm > most_dbm:
        notes.add(
            ("off_level",),
            "RF that is on could pass for off: this is too close to max_level of the radio",
            seen=str(off),
            allowed=f"{most_dbm:g} dBm or less, {OFF_UNDER_DB:g} dB under max_level",
            next_step="give the highest level that the analyser shows at the port with RF off",
        )
