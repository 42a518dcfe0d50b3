"""A bench file with a simulated counterpart in the place of every instrument and of the radio."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from hilkit.bench import Bench, InstrumentSpec
from hilkit.bench.interlocks import Interlock
from hilkit.clock import VirtualClock
from hilkit.errors import BenchError
from hilkit.files import Lab, library
from hilkit.instruments import Dialect, find_class, load_dialect
from hilkit.plans import Plan
from hilkit.sim.analyser import Analyser
from hilkit.sim.analyser_commands import ACTIONS, SETTINGS
from hilkit.sim.bench import RADIO, SimulatedBench
from hilkit.sim.common import COMMON
from hilkit.sim.device import Instrument
from hilkit.sim.parameters import Level, Number, Whole
from hilkit.sim.scpi import Tree, setting
from hilkit.sim.visa import resource_manager
from hilkit.sim.world import World
from hilkit.testing.rehearsal.counterparts import ConsoleCounterpart, ScpiCounterpart
from hilkit.testing.rehearsal.doubts import Doubts, doubts_of_texts, vocabulary
from hilkit.testing.rehearsal.profile import profile_of
from hilkit.testing.rehearsal.samples import sample

__all__ = ["Stage", "stage"]

GENERIC = {
    "signal_analyser": "signal_analyser",
    "step_attenuator": "step_attenuator",
    "switch_matrix": "switch_matrix",
    "signal_generator": "signal_generator",
    "power_meter": "power_meter",
    "dc_supply": "dc_supply",
    "noise_source": "noise_source",
    "radio": "radio_head",
}
"""The driver that comes with hilkit for each class of instruments: the simulated ones speak it."""

NOWHERE = "TCPIP0::rehearsal::5000::SOCKET"
"""Stands in for the address of a radio that is a program: in a rehearsal nothing is started."""


@dataclass(frozen=True, kw_only=True)
class Stage:
    """A rehearsed bench, ready to run on: nothing of the real one can be reached through it."""

    bench: Bench
    world: World
    clock: VirtualClock
    resource_manager: Any
    doubts: Doubts


@contextlib.contextmanager
def stage(bench: Bench, plan: Plan, lab: Lab, *, seed: int | None = None) -> Iterator[Stage]:
    """Put a simulated counterpart in the place of everything on the bench.

    ``BenchError`` for an instrument of a class that has no simulated one, as one added by Python code.
    """
    clock, doubts = VirtualClock(), Doubts()
    played = _played(bench)
    known = vocabulary(Lab(library()))
    for spec in (*played.instruments.values(), played.radio_spec):
        for sentence in doubts_of_texts(spec.dialect, known):
            doubts.add(spec.name, sentence)
    resources = {spec.name: spec.resource for spec in (*played.instruments.values(), played.radio_spec)}
    resources[RADIO] = resources[played.radio_spec.name]
    world = World(profile_of(played, plan, resources), clock, seed)
    manager = resource_manager(RehearsedBench(world, played, doubts))
    try:
        yield Stage(bench=played, world=world, clock=clock, resource_manager=manager, doubts=doubts)
    finally:
        manager.close()


def _played(bench: Bench) -> Bench:
    """Return the bench as it is rehearsed: simulated, by name, and without a program to start."""
    for spec in (*bench.instruments.values(), bench.radio_spec):
        if generic_class(spec) is None:
            raise BenchError(
                f"{spec.name} cannot be rehearsed: there is no simulated {spec.instrument_class}",
                next_step="rehearse the plan on a bench file without it, or run it on the real bench",
            )
    radio = replace(bench.radio_spec, command=(), resource=bench.radio_spec.resource or NOWHERE)
    return replace(
        bench,
        name=f"{bench.name} (rehearsal)",
        radio_spec=radio,
        simulation="rehearsal",
        rehearsed=True,
        calibration_policy=None,
    )


def generic_class(spec: InstrumentSpec) -> str | None:
    """Return the class that hilkit simulates for an instrument: its own, or one that it is made from."""
    kind = find_class(spec.instrument_class)
    for base in kind.__mro__ if kind is not None else ():
        name = vars(base).get("INSTRUMENT_CLASS")
        if name in GENERIC:
            return str(name)
    return None


class RehearsedBench(SimulatedBench):
    """The instruments of a world, each behind its own dialect."""

    def __init__(self, world: World, bench: Bench, doubts: Doubts) -> None:
        super().__init__(world)
        shipped = Lab(library())
        generic = {name: load_dialect(driver, shipped) for name, driver in GENERIC.items()}
        self._counterparts: dict[str, Instrument] = {}
        for name, spec in bench.instruments.items():
            inner = self.instruments[name]
            if isinstance(inner, Analyser):
                _free_ranges(inner, spec.dialect)
            self._counterparts[self.resource_of(name)] = ScpiCounterpart(
                inner,
                spec.dialect,
                generic[generic_class(spec) or ""],
                identity=_identity(spec, doubts),
                doubts=doubts,
                assumed=_contacts(bench, name),
            )
        radio = bench.radio_spec
        self._counterparts[self.resource_of(RADIO)] = ConsoleCounterpart(
            radio.name, world.clock, radio.dialect, generic["radio"], world.radio, doubts
        )

    def at(self, resource: str) -> Instrument | None:
        """Return the counterpart at a resource name in full; None where there is none."""
        return self._counterparts.get(resource)


def _contacts(bench: Bench, name: str) -> dict[str, str]:
    """Return answers to what interlocks ask of an instrument in words of their own: all is as it must be."""
    return {
        interlock.ask: _holding(interlock)
        for interlock in bench.interlocks.values()
        if interlock.ask and interlock.instrument == name
    }


def _holding(interlock: Interlock) -> str:
    if interlock.word is not None:
        return interlock.word
    low, high = interlock.low, interlock.high
    if low is None or high is None:
        return f"{low if high is None else high:g}"
    return f"{(low + high) / 2:g}"


def _identity(spec: InstrumentSpec, doubts: Doubts) -> str:
    """Return what the counterpart answers to ``*IDN?``: model and serial of the bench file.

    A pattern of the driver file that these do not fit may ask for a maker or a firmware.
    """
    serial, model, pattern = spec.serial or "0", spec.model or spec.name, spec.dialect.identity
    plain = f"Simulated,{model},{serial},rehearsal"
    if _fits(pattern, plain):
        return plain
    if spec.model:
        doubts.add(
            spec.name,
            f"the model {model} of the bench file does not fit the identity {pattern!r} of its driver file; "
            "unless that asks for a maker or a firmware, the instrument will be refused",
        )
    shown = sample(pattern)
    tried = [
        f"Simulated,{spec.model or shown},{serial},{shown}",
        f"{shown},{model},{serial},rehearsal",
        shown,
    ]
    return next((identity for identity in tried if _fits(pattern, identity)), plain)


def _fits(pattern: str, identity: str) -> bool:
    return identity.count(",") >= 3 and (not pattern or re.search(pattern, identity) is not None)


def _free_ranges(analyser: Analyser, dialect: Dialect) -> None:
    """Let the analyser take what its dialect says that it takes, without rounding of its own."""

    rows = [
        (
            ":INPut:ATTenuation",
            "attenuation",
            Number(unit="DB", **_bounds(dialect, "attenuation", 0.0, 70.0)),
        ),
        ("[:SENSe]:BANDwidth[:RESolution]", "rbw", Number(unit="HZ", **_bounds(dialect, "rbw", 1.0, 10e6))),
        ("[:SENSe]:BANDwidth:VIDeo", "vbw", Number(unit="HZ", **_bounds(dialect, "vbw", 1.0, 10e6))),
        ("[:SENSe]:SWEep:TIME", "sweep_time", Number(unit="S", **_bounds(dialect, "sweep_time", 1e-6, 16e3))),
        (
            ":DISPlay[:WINDow]:TRACe:Y[:SCALe]:RLEVel",
            "reference_level",
            Level(**_bounds(dialect, "reference_level", -170.0, 50.0)),
        ),
    ]
    points = Whole(low=2, high=1_000_001, default=1001)
    free = [setting(pattern, key, kind) for pattern, key, kind in rows]
    free.append(setting("[:SENSe]:SWEep:POINts", "points", points))
    analyser.tree = Tree((*COMMON, *SETTINGS, *ACTIONS, *free))


def _bounds(dialect: Dialect, capability: str, low: float, high: float) -> dict[str, Any]:
    """Return the range of a capability, or one that is wide where its driver file gives none."""
    found = dialect.capabilities.get(capability)
    least = found.limits.minimum if found is not None else None
    most = found.limits.maximum if found is not None else None
    return {"low": low if least is None else least, "high": high if most is None else most}
