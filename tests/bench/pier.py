"""The shipped simulated bench, its file changed where a test needs it."""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from hilkit.bench import Bench, load_bench
from hilkit.clock import VirtualClock
from hilkit.files import Lab, library
from hilkit.sim import open_simulated
from hilkit.sim.profile import Fault, load_profile

LAB = Lab(None)


class Lines:
    """A transcript in memory."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, str, str]] = []

    def line(self, instrument: str, direction: str, text: str) -> None:
        self.lines.append((instrument, direction, text))

    def last(self, instrument: str, count: int) -> list[str]:
        return [text for name, _, text in self.lines if name == instrument][-count:]

    def sent(self, instrument: str = "") -> list[str]:
        """Return what was sent, to one instrument or to all."""
        return [text for name, way, text in self.lines if way == "->" and instrument in ("", name)]


def pier(folder: Path, *changes: tuple[str, str]) -> Bench:
    """Return the bench with texts of its file replaced."""
    shipped = library() / "sim_profiles"
    text = (shipped / "simulated_pier.bench.yaml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, f"{old!r} is not in the bench file"
        text = text.replace(old, new)
    shutil.copy(shipped / "measured_line.s2p", folder)
    file = folder / "pier.yaml"
    file.write_text(text, encoding="utf-8")
    return load_bench(file, LAB)


def simulated(faults: Iterable[Fault] = ()) -> tuple[Any, VirtualClock]:
    """Return a resource manager for the simulated bench, and its clock."""
    clock = VirtualClock()
    manager, _ = open_simulated(load_profile("simulated_pier", LAB), clock, seed=1, faults=faults)
    return manager, clock
