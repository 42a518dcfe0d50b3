"""The simulated pier with RF on as a crashed run leaves it, faults on order, and the truth at its ports."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hilkit.bench import Bench, Connected, load_bench
from hilkit.clock import VirtualClock
from hilkit.instruments import NullTranscript
from hilkit.safety import Gate, RfState, SafeState, reach_safe
from hilkit.sim import open_simulated
from hilkit.sim.bench import SimulatedBench
from hilkit.sim.profile import Fault, load_profile
from hilkit.sim.visa import SimulatedLibrary
from hilkit.sim.world import World
from tests.bench.pier import LAB, pier

CARRIER_HZ = 1_842_500_000.0


@dataclass
class Rig:
    """A connected bench, and what it truly sends."""

    bench: Bench
    connected: Connected
    world: World
    clock: VirtualClock
    simulated: SimulatedBench

    def on_air(self, channel: int = 1, *, pad_db: float = 0.0, attenuation_db: float = 0.0) -> None:
        """Bring a channel on air through the gate, the route set to it."""
        gate = Gate(self.connected, self.clock)
        gate.select(channel)
        gate.apply(
            RfState(
                channel=channel,
                carrier_hz=CARRIER_HZ,
                attenuation_db=attenuation_db,
                drive_dbfs=-3.0,
                tone_offset_hz=5e6,
                pad_db=pad_db,
            )
        )
        assert self.port_dbm(channel) > -15.0

    def fault(self, kind: str, instrument: str, when: str = "", **more: Any) -> None:
        """Order a fault that strikes from now on, every time."""
        row = {"instrument": instrument, "kind": kind, "when": when, "count": 100_000, **more}
        self.simulated.faults.add(Fault.model_validate(row))

    def port_dbm(self, channel: int) -> float:
        """Return the strongest line that truly leaves a port."""
        return self.world.truth_port_lines(channel)[0].level_dbm

    def safe(self, **options: Any) -> tuple[SafeState, float]:
        """Bring the bench into its safe state; returns what became of it and how long it took in s."""
        began = self.clock.now()
        state = reach_safe(self.connected, self.clock, **options)
        return state, self.clock.now() - began

    def off_after_s(self, channel: int, **options: Any) -> tuple[SafeState, float]:
        """Do the same and return how long the port truly sent, looked at every time the clock moves."""
        began, last = self.clock.now(), self.clock.now()
        advance = self.clock.advance_to

        def advanced(at: float) -> None:
            nonlocal last
            if self.port_dbm(channel) > -50.0:
                last = max(self.clock.now(), at)
            advance(at)

        self.clock.advance_to = advanced  # type: ignore[method-assign]
        try:
            state, _ = self.safe(**options)
        finally:
            self.clock.advance_to = advance  # type: ignore[method-assign]
        assert self.port_dbm(channel) < -50.0
        return state, last - began


@contextmanager
def rig(folder: Path, *changes: tuple[str, str]) -> Iterator[Rig]:
    """Connect the bench with texts of its file replaced."""
    with _connected(pier(folder, *changes)) as found:
        yield found


@contextmanager
def calibration_rig() -> Iterator[Rig]:
    """Connect the bench of the day on which generator and power meter stand on it."""
    with _connected(load_bench(LAB.find("bench", "simulated_pier_calibration"), LAB)) as found:
        yield found


@contextmanager
def _connected(bench: Bench) -> Iterator[Rig]:
    clock = VirtualClock()
    manager, world = open_simulated(load_profile("simulated_pier", LAB), clock, seed=1)
    library: Any = manager.visalib
    assert isinstance(library, SimulatedLibrary)
    with bench.connect(manager, clock, NullTranscript(), LAB) as connected:
        yield Rig(bench, connected, world, clock, library.bench)
