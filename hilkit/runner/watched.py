"""The watchdog of a run: there on a real bench, not in virtual time, where no RF outlives the process."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path
from typing import Any

from hilkit.bench import Bench
from hilkit.clock import Clock
from hilkit.safety.watchdog import Watchdog

__all__ = ["Watch", "patience"]

WAIT_S = 75.0
"""Longest wait in seconds for the watchdog of an earlier run: it gives up before that."""

SAFE_STATE_S = 20.0
"""Longest time in seconds that the safe state may take, dead links and all."""

_POLL_S = 0.1


def patience(clock: Clock, note: Callable[[str], None]) -> Callable[[str], bool]:
    """Return what waits for the watchdog of an earlier run, and says so once."""
    deadline = None

    def wait(holder: str) -> bool:
        nonlocal deadline
        if deadline is None:
            deadline = clock.deadline(WAIT_S)
            note(f"waiting up to {WAIT_S:g} s: {holder}")
        clock.sleep(_POLL_S)
        return not deadline.passed

    return wait


class Watch:
    """The watchdog of one run, or nobody in its place."""

    def __init__(self, dog: Watchdog | None = None) -> None:
        self._dog = dog

    @classmethod
    @contextmanager
    def over(
        cls, bench: Bench, *, clock: Clock, folder: Path, manager: Any, note: Callable[[str], None]
    ) -> Iterator[Watch]:
        """Start a watchdog for a real bench; it gets ready while the run connects."""
        if clock.virtual:
            yield cls()
            return
        if bench.watch.off:
            note(f"nobody switches RF off if this run dies: {bench.watch.off} (watchdog: off)")
            yield cls()
            return
        from hilkit.instruments.visa import library_of

        with Watchdog(bench, clock=clock, folder=folder, visa=library_of(manager)) as dog:
            yield cls(dog)

    def arm(self) -> None:
        """Have it ready, before anything is commanded."""
        if self._dog is None:
            return
        # What is loaded late elsewhere keeps the plan out of sight for as long as half a lease.
        importlib.import_module("scipy.special")
        self._dog.arm()

    def patient(self) -> AbstractContextManager[None]:
        """Give the safe state the time that it may take."""
        return self._dog.patient(SAFE_STATE_S) if self._dog is not None else nullcontext()

    def dismiss(self) -> None:
        """Have it take leave at the end: the bench was left safe, or a person was told."""
        if self._dog is not None:
            self._dog.dismiss()
