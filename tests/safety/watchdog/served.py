"""The simulated bench over sockets in real time, and a watchdog that a test plays the run for."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from hilkit.bench import Bench, load_bench
from hilkit.clock import WallClock
from hilkit.files import Lab
from hilkit.safety.watchdog.protocol import Charge, lease_line, write_charge
from hilkit.sim import serve
from hilkit.sim.profile import load_profile
from hilkit.sim.world import World

NO_PROCESS = 2**22 + 1
"""The highest number of a process on Linux is 2**22: what is to be ended in place of a run is not there."""


@dataclass
class Served:
    """A bench, and the world behind it."""

    bench: Bench
    world: World

    def rf_on(self) -> list[bool]:
        return [channel.rf_on for channel in self.world.radio.channels.values()]

    def switch_rf_on(self) -> None:
        for number in self.world.radio.channels:
            assert self.world.radio.handle_line(f"rf {number} on") == "ok"


@contextlib.contextmanager
def served() -> Iterator[Served]:
    lab = Lab(None)
    world = World(load_profile(lab.find("profile", "simulated_pier"), lab), WallClock())
    with serve(world, host="127.0.0.1", ports={}) as server:
        resources = {n: f"TCPIP0::{host}::{port}::SOCKET" for n, (host, port) in server.addresses.items()}
        yield Served(load_bench("simulated_pier", lab).with_resources(resources), world)


class Dog:
    """A watchdog process; the test is its run, and cannot be ended by it."""

    def __init__(self, bench: Bench, folder: Path, *, bound_s: float = 60.0) -> None:
        self.diary = folder / "watchdog.txt"
        self.process = subprocess.Popen(
            [sys.executable, "-m", "hilkit.safety.watchdog"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert self.process.stdin is not None and self.process.stdout is not None
        charge = Charge(bench=bench, run=NO_PROCESS, folder=folder, visa="@py", locks=folder, bound_s=bound_s)
        write_charge(self.process.stdin, charge)
        self.answer = self.process.stdout.readline().strip()

    def lease(self, seconds: float) -> None:
        self.say(lease_line(seconds))

    def say(self, line: bytes) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line)
        self.process.stdin.flush()

    def end(self) -> tuple[int, str]:
        """Wait for its end; return its exit code and what it told the console. Its input ends with it."""
        _, said = self.process.communicate(timeout=60)
        return self.process.returncode, said.decode("utf-8")
