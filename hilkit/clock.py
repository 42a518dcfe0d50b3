"""Time: the only place where hilkit waits.

A run gets one clock. On a real bench it is the wall clock; on a simulated bench it is virtual and jumps, so
that an hour of sweeps passes in seconds while the run still reports the hour. Everything that has to be
looked at while time passes (an interrupt, an interlock) is a watcher of the clock and is called between
slices of a wait.
"""

from __future__ import annotations

import datetime as dt
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable

__all__ = ["Clock", "Deadline", "VirtualClock", "WallClock"]

SLICE_S = 0.05
"""Longest uninterrupted wait, in seconds: watchers see an event after at most this time."""


class Clock(ABC):
    """Time in seconds since an arbitrary start, never going back."""

    def __init__(self) -> None:
        self._watchers: list[tuple[int, Callable[[], None]]] = []
        self._minders: list[Callable[[float], None]] = []

    @property
    @abstractmethod
    def virtual(self) -> bool:
        """True when time is simulated."""

    @abstractmethod
    def now(self) -> float:
        """Return the time in seconds."""

    @abstractmethod
    def utc(self) -> dt.datetime:
        """Return the calendar time with its zone (UTC)."""

    @abstractmethod
    def _wait_until(self, at: float) -> None:
        """Let time pass until ``at`` without looking at anything."""

    def watch(self, watcher: Callable[[], None]) -> None:
        """Call ``watcher`` between slices of every wait of this thread; it raises to end the wait."""
        self._watchers.append((threading.get_ident(), watcher))

    def unwatch(self, watcher: Callable[[], None]) -> None:
        """Stop calling ``watcher``."""
        watchers = [each for _, each in self._watchers]
        del self._watchers[watchers.index(watcher)]

    def look(self) -> None:
        """Call every watcher of this thread once, now."""
        for watcher in self._mine():
            watcher()

    def _mine(self) -> list[Callable[[], None]]:
        if not self._watchers:
            return []
        thread = threading.get_ident()
        return [watcher for owner, watcher in self._watchers if owner == thread]

    def mind(self, minder: Callable[[float], None]) -> None:
        """Call ``minder`` with the longest time in seconds before the caller blocks outside of this clock."""
        self._minders.append(minder)

    def unmind(self, minder: Callable[[float], None]) -> None:
        """Stop calling ``minder``."""
        self._minders.remove(minder)

    @property
    def minded(self) -> bool:
        """True while somebody minds that the caller blocks."""
        return bool(self._minders)

    def blocking(self, seconds: float) -> None:
        """Say that the caller is about to wait up to ``seconds`` for something else than this clock.

        Watchers are not called: what they ask of an instrument would come between a question and its answer.
        """
        for minder in self._minders:
            minder(seconds)

    def sleep(self, seconds: float) -> None:
        """Wait ``seconds``, looking at the watchers at least every ``SLICE_S``."""
        end = self.now() + max(0.0, seconds)
        self.look()
        while (now := self.now()) < end:
            self._wait_until(min(end, now + SLICE_S) if self._watchers or not self.virtual else end)
            self.look()

    def deadline(self, seconds: float) -> Deadline:
        """Return a deadline that lies ``seconds`` ahead."""
        return Deadline(self, seconds)


class Deadline:
    """A point in time that a wait must not pass."""

    def __init__(self, clock: Clock, seconds: float) -> None:
        self._clock = clock
        self.seconds = seconds
        self.at = clock.now() + seconds

    @property
    def left(self) -> float:
        """Seconds left, never negative."""
        return max(0.0, self.at - self._clock.now())

    @property
    def passed(self) -> bool:
        """True when no time is left."""
        return self._clock.now() >= self.at


class WallClock(Clock):
    """Real time."""

    @property
    def virtual(self) -> bool:
        """False: this is real time."""
        return False

    def now(self) -> float:
        """Return the monotonic time in seconds."""
        return time.monotonic()

    def utc(self) -> dt.datetime:
        """Return the calendar time (UTC)."""
        return dt.datetime.now(dt.UTC)

    def _wait_until(self, at: float) -> None:
        time.sleep(max(0.0, at - self.now()))


class VirtualClock(Clock):
    """Simulated time: a wait costs nothing and moves the time by just its length.

    Safe to share between the plan's thread and the threads of a served bench.
    """

    def __init__(self, start: dt.datetime | None = None) -> None:
        super().__init__()
        self._start = start or dt.datetime.now(dt.UTC)
        self._now = 0.0
        self._lock = threading.Lock()
        self._settle: Callable[[], None] | None = None

    @property
    def virtual(self) -> bool:
        """True: this time is simulated."""
        return True

    def now(self) -> float:
        """Return the simulated time in seconds since the start."""
        return self._now

    def utc(self) -> dt.datetime:
        """Return the simulated calendar time (UTC)."""
        return self._start + dt.timedelta(seconds=self._now)

    def settle_with(self, settle: Callable[[], None] | None) -> None:
        """Call ``settle`` at each wait before time moves: it returns when all that was sent has arrived."""
        self._settle = settle

    def _wait_until(self, at: float) -> None:
        if self._settle is not None:
            self._settle()
        self.advance_to(at)

    def advance(self, seconds: float) -> None:
        """Move the time without calling watchers: for simulated instruments that keep a caller waiting."""
        with self._lock:
            self._now += max(0.0, seconds)

    def advance_to(self, at: float) -> None:
        """Move the time to ``at`` unless it is later already, without calling watchers.

        Two threads that wait at once wait together: the time moves to the later end, not by the sum.
        """
        with self._lock:
            self._now = max(self._now, at)
