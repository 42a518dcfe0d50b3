"""Whether the disk has room for a run: estimated from its plan before it begins, and looked at in between."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from hilkit.bench import Bench
from hilkit.errors import BenchError, RecordError
from hilkit.runner.planned import Item

__all__ = ["Room", "free_bytes", "step_bytes"]

READING_BYTES = 3_500
"""A reading in the record (about 2 kB, its budget shared with others) and what it costs in the transcript."""

SWEEP_BYTES = 10_000
"""A sweep of some 1000 points, compressed, and its lines in the transcript."""

BASE_BYTES = 500_000
"""Plan, bench, tables, the write-ahead log between two checkpoints, and the report."""

_SPARE = 2
"""Room asked for, in estimates: none of them is exact."""


def free_bytes(folder: Path) -> int:
    """Return how many bytes the disk of ``folder`` has left."""
    return shutil.disk_usage(folder).free


def step_bytes(item: Item, bench: Bench) -> int:
    """Return about how many bytes a step will take on the disk.

    Each reading that it may yield counts once, a series once for every state that the step commands; each
    state counts as a sweep.
    """
    _, combination, step = item
    settings = step.settings(combination)
    try:
        states = max(1, sum(1 for _ in step.procedure.envelope(settings, bench)))
    except BenchError:  # the step itself will say so
        states = 1
    names = [name for name, _ in step.procedure.yields(settings)]
    readings = sum(states if step.procedure.spec(name).series else 1 for name in names)
    return readings * READING_BYTES + states * SWEEP_BYTES


@dataclass(frozen=True, kw_only=True)
class Room:
    """The room that a run needs in ``folder``: ``steps`` maps the number of a step to its bytes.

    ``carried`` is what an earlier record brings along, in bytes.
    """

    folder: Path
    steps: Mapping[int, int]
    carried: int = 0

    @classmethod
    def of(
        cls, folder: Path, combinations: Iterable[Iterable[Item]], bench: Bench, *, carried: int = 0
    ) -> Room:
        """Estimate every step that is to run."""
        items = [item for combination in combinations for item in combination]
        steps = {item[0].number: step_bytes(item, bench) for item in items}
        return cls(folder=folder, steps=steps, carried=carried)

    def look_before_the_run(self) -> None:
        """Raise ``RecordError`` with the figures where the disk has not twice the room that is expected."""
        needed = BASE_BYTES + self.carried + sum(self.steps.values())
        free = free_bytes(self.folder)
        if free < _SPARE * needed:
            raise RecordError(
                f"the disk of {self.folder} has {_told(free)} left; this run takes about {_told(needed)},"
                f" and {_told(_SPARE * needed)} are asked for",
                next_step="make room, or name another disk with --out; nothing was sent",
            )

    def look_before_step(self, number: int) -> None:
        """Raise ``RecordError`` where the room for the next step is gone meanwhile."""
        needed = BASE_BYTES // 2 + self.steps.get(number, 0)
        free = free_bytes(self.folder)
        if free < needed:
            raise RecordError(
                f"the disk of {self.folder} has {_told(free)} left; the next step takes {_told(needed)}",
                next_step="make room, then go on with --resume and the folder of this run",
            )


def _told(size: int) -> str:
    return f"{size / 1e6:.2f} MB" if size < 1e9 else f"{size / 1e9:.1f} GB"
