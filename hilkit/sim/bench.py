"""The simulated bench as a client meets it: instruments by name and by resource, in front of one world."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pyvisa import rname

from hilkit.sim.analyser import Analyser, Swept
from hilkit.sim.attenuator import StepAttenuator
from hilkit.sim.capture import Captured, CaptureRequest
from hilkit.sim.contrary import ContraryAnalyser
from hilkit.sim.device import Instrument
from hilkit.sim.faults import DISK, FaultRow, FaultTable
from hilkit.sim.front_panel import AnalyserLimits
from hilkit.sim.generator import Generator, GeneratorLimits
from hilkit.sim.noise_source import NoiseSource
from hilkit.sim.power_meter import MeterLimits, PowerMeter
from hilkit.sim.radio_port import LineRadio
from hilkit.sim.receiver import SweepRequest
from hilkit.sim.substitution import Output
from hilkit.sim.supply import Supply
from hilkit.sim.switch import Switch

if TYPE_CHECKING:
    from hilkit.sim.profile import (
        AnalyserProfile,
        GeneratorProfile,
        IdentityProfile,
        PowerMeterProfile,
        ProfileFile,
    )
    from hilkit.sim.substitution import PowerRead
    from hilkit.sim.world import World

__all__ = ["RADIO", "SimulatedBench", "canonical_resource"]

RADIO = "radio"
"""Name of the radio among the instruments of a bench."""


def canonical_resource(resource: str) -> str:
    """Return a VISA resource name in full, such as ``TCPIP0::host::5025::SOCKET``; raises ValueError."""
    return str(rname.ResourceName.from_string(resource))


@dataclass(frozen=True)
class _Place:
    instrument: Instrument
    resource: str


class SimulatedBench:
    """All instruments of a world. They share one lock, because they share the world.

    Raises ValueError when two instruments share a name or a resource, or a fault names none of them.
    """

    def __init__(self, world: World, *, latency_s: float = 0.001, faults: Iterable[FaultRow] = ()) -> None:
        profile: ProfileFile = world.profile.file
        self.world = world
        self.clock = world.clock
        self.faults = FaultTable((*profile.faults, *faults), world.clock)
        self._places: dict[str, _Place] = {}
        self._common: dict[str, Any] = {"faults": self.faults, "latency_s": latency_s}
        self._analysers(profile)
        self._boxes(profile)
        self._calibrators(profile)
        self._supplies(profile)
        self._noise_sources(profile)
        world.receiving.step_text = self._step_text
        radio = LineRadio(
            RADIO,
            self.clock,
            console=world.radio,
            hold_s=profile.radio.connection_hold.s,
            **self._common,
        )
        self._place(RADIO, radio, profile.radio.resource)
        lock = threading.RLock()
        for place in self._places.values():
            place.instrument.lock = lock
        if unknown := self.faults.instruments - self._places.keys() - {DISK}:
            known = ", ".join(self._places)
            raise ValueError(f"a fault is ordered for {', '.join(sorted(unknown))}; there are {known}")

    def _place(self, name: str, instrument: Instrument, resource: str) -> None:
        place = _Place(instrument, canonical_resource(resource))
        if name in self._places or place.resource in self.resources:
            raise ValueError(f"two simulated instruments are called {name!r} or stand at {place.resource}")
        self._places[name] = place

    def _analysers(self, profile: ProfileFile) -> None:
        for name, each in profile.analysers.items():
            make = ContraryAnalyser if each.dialect == "contrary" else Analyser
            analyser = make(
                name,
                self.clock,
                physics=_AnalyserPhysics(self.world, name),
                limits=_limits(each),
                identity=_identity(each.identity),
                **self._common,
            )
            self._place(name, analyser, each.resource)

    def _boxes(self, profile: ProfileFile) -> None:
        for name, pad in profile.pads.items():
            attenuator = StepAttenuator(
                name,
                self.clock,
                pad=self.world.pads[name],
                low_db=pad.low.db,
                high_db=pad.high.db,
                step_db=pad.step.db,
                settle_s=pad.settle_time.s,
                identity=_identity(pad.identity),
                **self._common,
            )
            self._place(name, attenuator, pad.resource)
        for name, relay in profile.relays.items():
            switch = Switch(
                name,
                self.clock,
                relay=self.world.relays[name],
                channels=relay.channels,
                settle_s=relay.settle_time.s,
                contacts={int(number): state == "closed" for number, state in relay.contacts.items()},
                identity=_identity(relay.identity),
                **self._common,
            )
            self._place(name, switch, relay.resource)

    def _calibrators(self, profile: ProfileFile) -> None:
        for name, each in profile.generators.items():
            generator = Generator(
                name,
                self.clock,
                source=_GeneratorPhysics(self.world, name),
                limits=_generator_limits(each),
                identity=_identity(each.identity),
                **self._common,
            )
            self._place(name, generator, each.resource)
        for name, sensor in profile.power_meters.items():
            meter = PowerMeter(
                name,
                self.clock,
                sensor=_MeterPhysics(self.world, name),
                limits=_meter_limits(sensor),
                identity=_identity(sensor.identity),
                **self._common,
            )
            self._place(name, meter, sensor.resource)

    def _supplies(self, profile: ProfileFile) -> None:
        for name, each in profile.supplies.items():
            supply = Supply(
                name,
                self.clock,
                supply=self.world.supplies[name],
                identity=_identity(each.identity),
                **self._common,
            )
            self._place(name, supply, each.resource)

    def write_to_disk(self) -> None:
        """Be the disk that the record of a run goes to: raises OSError while a fault keeps it full."""
        if self.faults.strike(DISK, "write"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def _noise_sources(self, profile: ProfileFile) -> None:
        for name, each in profile.noise_sources.items():
            source = NoiseSource(
                name,
                self.clock,
                diode=self.world.receiving.noise_sources[name],
                settle_s=each.settle_time.s,
                identity=_identity(each.identity),
                **self._common,
            )
            self._place(name, source, each.resource)

    def _step_text(self) -> str:
        """What the client has written on the screen of the analyser: the step at work."""
        everything = (place.instrument for place in self._places.values())
        return next((each.step_text for each in everything if isinstance(each, Analyser)), "")

    @property
    def instruments(self) -> Mapping[str, Instrument]:
        """The instruments by name, the radio under ``radio``."""
        return {name: place.instrument for name, place in self._places.items()}

    @property
    def resources(self) -> tuple[str, ...]:
        """The VISA resource names, in full."""
        return tuple(place.resource for place in self._places.values())

    def at(self, resource: str) -> Instrument | None:
        """Return the instrument at a resource name in full; None where there is none."""
        return next((each.instrument for each in self._places.values() if each.resource == resource), None)

    def resource_of(self, name: str) -> str:
        """Return the resource name of an instrument."""
        return self._places[name].resource


def _identity(identity: IdentityProfile) -> str:
    return f"{identity.maker},{identity.model},{identity.serial},{identity.firmware}"


def _limits(profile: AnalyserProfile) -> AnalyserLimits:
    return AnalyserLimits(low_hz=profile.low.hz, high_hz=profile.high.hz, sweep_factor=profile.sweep_factor)


def _generator_limits(profile: GeneratorProfile) -> GeneratorLimits:
    return GeneratorLimits(
        low_hz=profile.low.hz,
        high_hz=profile.high.hz,
        lowest_dbm=profile.lowest.dbm,
        highest_dbm=profile.highest.dbm,
        settle_s=profile.settle_time.s,
    )


def _meter_limits(profile: PowerMeterProfile) -> MeterLimits:
    return MeterLimits(
        low_hz=profile.low.hz,
        high_hz=profile.high.hz,
        reading_s=profile.reading_time.s,
        zero_s=profile.zero_time.s,
    )


@dataclass(frozen=True)
class _AnalyserPhysics:
    """One analyser of the world, as its front end uses it."""

    world: World
    name: str

    def sweep(self, settings: dict[str, Any], key: tuple[object, ...]) -> Swept:
        return self.world.sweep(self.name, SweepRequest(**settings), key=key)

    def capture(self, settings: dict[str, Any], key: tuple[object, ...]) -> Captured:
        return self.world.capture(self.name, CaptureRequest(**settings), key)

    def select_reference(self, *, external: bool) -> None:
        self.world.select_reference(self.name, external=external)

    def lose_reference(self) -> None:
        self.world.reference_present[self.name] = False

    @property
    def locked(self) -> bool:
        return self.world.reference_locked(self.name)


@dataclass(frozen=True)
class _GeneratorPhysics:
    """One generator of the world, as its front end uses it."""

    world: World
    name: str

    def put_out(
        self, *, frequency_hz: float, level_dbm: float, on: bool, levelled: bool, external: bool
    ) -> None:
        output = Output(
            frequency_hz=frequency_hz,
            level_dbm=level_dbm,
            on=on,
            levelled=levelled,
            external_reference=external,
        )
        self.world.drive(self.name, output)

    @property
    def unlevelled(self) -> bool:
        return self.world.generators[self.name].unlevelled

    @property
    def locked(self) -> bool:
        return self.world.generators[self.name].locked


@dataclass(frozen=True)
class _MeterPhysics:
    """One power meter of the world, as its front end uses it."""

    world: World
    name: str

    def measure(
        self, *, frequency_hz: float, averages: int, seconds: float, key: tuple[Hashable, ...]
    ) -> PowerRead:
        return self.world.measure_power(
            self.name, frequency_hz=frequency_hz, averages=averages, seconds=seconds, key=key
        )

    def zero(self) -> None:
        self.world.zero_meter(self.name)
