"""A run of many steps in virtual time: does it go on taking memory or file handles?"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

from hilkit.errors import ExitCode
from hilkit.record import Event, StepEnded
from hilkit.runner import run
from tests.runner.trial import laid

__all__ = ["Soaked", "soak"]

PROC = Path("/proc/self")
"""Where Linux tells of memory and handles; elsewhere the exit code alone is judged."""

STEPS = 20
SETTLED = 0.4
"""Share of the steps after which everything is loaded and every cache is full."""


@dataclass
class Soaked:
    """Memory in bytes and handles at each look, from when all has settled."""

    steps: int
    code: ExitCode
    memory: list[int] = field(default_factory=list)
    handles: list[int] = field(default_factory=list)

    @property
    def grown(self) -> float:
        """How much more memory there is at the end than at the first look, as a fraction."""
        return self.memory[-1] / self.memory[0] - 1 if self.memory else 0.0

    def __str__(self) -> str:
        if not self.memory:
            return f"{self.steps} steps, exit code {int(self.code)}"
        return (
            f"{self.steps} steps, exit code {int(self.code)}: {self.memory[0] / 1e6:.1f} MB, then "
            f"{self.memory[-1] / 1e6:.1f} MB at the end ({self.grown:+.2%}); "
            f"file handles {min(self.handles)} to {max(self.handles)}"
        )


def _memory() -> int:
    return int((PROC / "statm").read_text(encoding="ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE")


def soak(folder: Path, steps: int) -> Soaked:
    """Run ``steps`` steps, each with RF on, two readings and a wait."""
    rounds = steps // STEPS
    values = ", ".join(map(str, range(rounds)))
    lines = "\n".join(
        f"  - look: {{id: s{number}, rf: true, value: $value, limits: {{level: {{max: {rounds} dBm}}}}}}"
        for number in range(STEPS)
    )
    found = Soaked(rounds * STEPS, ExitCode.BENCH)
    ended = 0
    with laid(folder, lines, vary=f"vary: {{value: [{values}]}}") as table:

        def look(event: Event) -> None:
            nonlocal ended
            if not isinstance(event, StepEnded):
                return
            ended += 1
            if PROC.is_dir() and ended >= SETTLED * found.steps and not ended % max(1, found.steps // 50):
                found.memory.append(_memory())
                found.handles.append(len(list((PROC / "fd").iterdir())))

        out = folder / "run"
        out.mkdir()
        found.code = run(
            table.plan,
            table.bench,
            clock=table.clock,
            resource_manager=table.manager,
            folder=out,
            lab=table.lab,
            listeners=[look],
            seed=1,
        )
    return found
