"""A simulated instrument as a byte stream: connections, their output, and what all instruments share.

An instrument has state (settings, status); every connection to it is a :class:`Device` of its own with its
own buffers.
"""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from collections import deque
from typing import Protocol

from hilkit.clock import Clock, VirtualClock
from hilkit.sim.faults import FaultTable

__all__ = ["INPUT_LIMIT", "Device", "Instrument", "Output"]

INPUT_LIMIT = 1 << 20
"""Longest program message, in bytes; a longer one is dropped."""


class Device(Protocol):
    """One connection to a simulated instrument."""

    def receive(self, data: bytes) -> None:
        """Take what the client sent."""

    def take(self, count: int, *, until: bytes = b"") -> bytes:
        """Return up to ``count`` bytes of output that are ready now, none behind the first byte ``until``."""

    @property
    def pending(self) -> bool:
        """True when output is ready now."""

    @property
    def at_end(self) -> bool:
        """True when the last byte taken ended an answer (END of IEEE 488.2); never on a stream."""

    @property
    def lost(self) -> bool:
        """True when the instrument has dropped the connection."""

    def wake_at(self) -> float | None:
        """Return the clock time at which output may appear without further input; None for never."""

    def talk(self) -> None:
        """Tell the device that the client reads although nothing is ready."""

    def clear(self) -> None:
        """Device clear: empty both buffers and forget what was waiting."""

    def status_byte(self) -> int:
        """Return the status byte as a serial poll reads it."""

    def close(self, *, clean: bool = True) -> None:
        """End the connection; not ``clean`` when the client vanished in the middle."""


class Output:
    """Bytes on their way out, each piece with the time from which it can be read, in order."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._pieces: deque[tuple[float, bytes]] = deque()

    def put(self, data: bytes, *, delay_s: float = 0.0) -> None:
        """Append ``data``, readable ``delay_s`` from now but not before what stands in front of it."""
        ready = self._clock.now() + delay_s
        if self._pieces:
            ready = max(ready, self._pieces[-1][0])
        self._pieces.append((ready, data))

    @property
    def ready(self) -> bool:
        """True when a byte can be read now."""
        return bool(self._pieces) and self._pieces[0][0] <= self._clock.now()

    @property
    def ready_at(self) -> float | None:
        """The time of the first byte; None when empty."""
        return self._pieces[0][0] if self._pieces else None

    def take(self, count: int, *, until: bytes = b"") -> bytes:
        """Return up to ``count`` bytes that are ready, none behind the first byte ``until``."""
        taken: list[bytes] = []
        while count > 0 and self.ready:
            ready, piece = self._pieces.popleft()
            stop = piece.find(until) + 1 if until else 0
            length = min(count, stop or len(piece))
            if len(piece) > length:
                self._pieces.appendleft((ready, piece[length:]))
                piece = piece[:length]
            taken.append(piece)
            count = 0 if stop == length else count - length
        return taken[0] if len(taken) == 1 else b"".join(taken)

    def clear(self) -> None:
        """Drop everything."""
        self._pieces.clear()


class Instrument(ABC):
    """What every simulated instrument has: a name, the bench's clock and lock, a cost per command, faults."""

    def __init__(
        self, name: str, clock: Clock, *, faults: FaultTable | None = None, latency_s: float = 0.0
    ) -> None:
        self.name = name
        self.clock = clock
        self.latency_s = latency_s
        self.faults = faults or FaultTable((), clock)
        self.lock = threading.RLock()

    @abstractmethod
    def connect(self, *, stream: bool) -> Device:
        """Return a new connection."""

    @property
    def refuses(self) -> bool:
        """True while a new connection would be refused."""
        return False

    def spend(self) -> None:
        """Let the time of one command pass; only simulated time has to be pushed."""
        if self.latency_s and isinstance(self.clock, VirtualClock):
            self.clock.advance(self.latency_s)
