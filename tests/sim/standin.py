"""A stand-in for the world: flat traces and boxes that remember, for tests of the front ends alone."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hilkit.clock import VirtualClock
from hilkit.quantities import Duration
from hilkit.sim.analyser import Analyser
from hilkit.sim.attenuator import StepAttenuator
from hilkit.sim.contrary import ContraryAnalyser
from hilkit.sim.device import Device, Instrument
from hilkit.sim.faults import FaultTable
from hilkit.sim.radio_port import LineRadio
from hilkit.sim.switch import Switch

IDENTITY = "Tidewrack Works,TW-SA8,TW8-01147,3.1.0"


@dataclass(frozen=True, kw_only=True)
class Row:
    """A fault as data."""

    kind: str
    instrument: str = "box"
    when: str = ""
    after: int = 1
    count: int = 1
    delay: Duration | None = None
    at: Duration | None = None


@dataclass
class Swept:
    level_dbm: NDArray[np.float64]
    overload: bool = False
    uncalibrated: bool = False


@dataclass
class FlatPhysics:
    """Every trace is flat: -10 dBm less one decibel for each acquisition; requests and keys are kept."""

    clock: VirtualClock
    requests: list[dict[str, Any]] = field(default_factory=list)
    keys: list[tuple[object, ...]] = field(default_factory=list)
    overload: bool = False
    uncalibrated: bool = False
    lock_time_s: float = 0.2
    present: bool = True
    since: float | None = None

    def sweep(self, settings: dict[str, Any], key: tuple[object, ...]) -> Swept:
        self.requests.append(settings)
        self.keys.append(key)
        level = np.full(settings["points"], -10.0 - len(self.requests))
        return Swept(level, self.overload, self.uncalibrated)

    def select_reference(self, *, external: bool) -> None:
        self.since = self.clock.now() if external else None

    def lose_reference(self) -> None:
        self.present = False

    @property
    def locked(self) -> bool:
        return self.since is None or (self.present and self.clock.now() >= self.since + self.lock_time_s)


@dataclass
class Pad:
    db: float = 0.0

    def set(self, db: float) -> None:
        self.db = db

    def read(self) -> float:
        return self.db


@dataclass
class Relay:
    closed: set[int] = field(default_factory=set)

    def close(self, channels: list[int]) -> None:
        self.closed |= set(channels)

    def open(self, channels: list[int]) -> None:
        self.closed -= set(channels)


@dataclass
class Console:
    """Answers ``answer to LINE``; says what stands in ``news``."""

    news: list[str] = field(default_factory=list)
    booting: bool = False
    reboots: int = 0
    lost: int = 0
    power_cycles: int = 0
    present: bool = True
    held: bool = False
    rf_stuck: bool = False

    def handle_line(self, text: str) -> str:
        return f"answer to {text}" if text else ""

    def console_lines(self) -> list[str]:
        due, self.news = self.news, []
        return due

    def reboot(self) -> None:
        self.reboots += 1
        self.booting = True

    def lose_lock(self) -> None:
        self.lost += 1

    def lose_reference(self) -> None:
        self.present = False

    def hold_attenuators(self, held: bool) -> None:
        self.held = held


class Talk:
    """One connection, with the words of a client."""

    def __init__(self, instrument: Instrument, *, stream: bool = False) -> None:
        self.instrument = instrument
        self.device: Device = instrument.connect(stream=stream)

    def write(self, text: str) -> None:
        self.device.receive(text.encode("latin-1") + b"\n")

    def read(self) -> str:
        """Return what is ready now, without the last line feed."""
        return self.read_bytes().decode("latin-1").removesuffix("\n")

    def read_bytes(self) -> bytes:
        return self.device.take(1 << 20)

    def ask(self, text: str) -> str:
        self.write(text)
        return self.read()

    def errors(self) -> list[str]:
        """Return and empty the error queue."""
        found = []
        while not (entry := self.ask(":SYST:ERR?")).startswith("0,"):
            found.append(entry)
        return found

    def refused(self, text: str) -> int:
        """Write and return the number of the one error that follows; 0 for none."""
        self.write(text)
        self.device.clear()
        found = self.errors()
        assert len(found) <= 1, found
        return int(found[0].split(",")[0]) if found else 0


def analyser(clock: VirtualClock, *rows: Row, **more: Any) -> Analyser:
    return Analyser(
        "box", clock, physics=FlatPhysics(clock), identity=IDENTITY, faults=FaultTable(rows, clock), **more
    )


def contrary(clock: VirtualClock, *rows: Row) -> ContraryAnalyser:
    return ContraryAnalyser(
        "box", clock, physics=FlatPhysics(clock), identity=IDENTITY, faults=FaultTable(rows, clock)
    )


def attenuator(clock: VirtualClock, pad: Pad, *rows: Row) -> StepAttenuator:
    return StepAttenuator(
        "box",
        clock,
        pad=pad,
        low_db=0.0,
        high_db=63.0,
        step_db=1.0,
        settle_s=0.02,
        identity="Tidewrack Works,TW-A63,TW6-2,1.0",
        faults=FaultTable(rows, clock),
    )


def switch(clock: VirtualClock, relay: Relay, *rows: Row) -> Switch:
    return Switch(
        "box",
        clock,
        relay=relay,
        channels=(101, 102, 103, 104, 105),
        settle_s=0.015,
        identity="Tidewrack Works,TW-R5,TW5-3,1.0",
        faults=FaultTable(rows, clock),
    )


def radio(clock: VirtualClock, console: Console, *rows: Row, hold_s: float = 3.0) -> LineRadio:
    return LineRadio("box", clock, console=console, hold_s=hold_s, faults=FaultTable(rows, clock))
