"""A request to stop, from a person at the keyboard or from the operating system."""

from __future__ import annotations

import signal
import threading
from types import FrameType, TracebackType
from typing import Any

from hilkit.clock import Clock
from hilkit.errors import Interrupted

__all__ = ["StopRequest"]

# Windows has no SIGTERM that arrives from outside; a closed console or Ctrl-Break comes as SIGBREAK there.
_SIGNALS = ("SIGINT", "SIGTERM", "SIGBREAK")


class StopRequest:
    """Turns signals into ``Interrupted`` at a place where it does no harm; a context manager.

    The handlers only set a flag. A watcher of the clock looks at it between slices of a wait and raises.
    After ``disarm`` the flag is still set by a signal but nothing is raised any more: bringing the bench to
    its safe state cannot be interrupted. Outside the main thread no handler can be set; ``request`` does the
    same by a call.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._armed = False
        self._name = ""
        self._previous: dict[signal.Signals, Any] = {}

    def __enter__(self) -> StopRequest:
        if threading.current_thread() is threading.main_thread():
            for name in _SIGNALS:
                number = getattr(signal, name, None)
                if number is not None:
                    self._previous[number] = signal.signal(number, self._handle)
        self._armed = True
        self._clock.watch(self._look)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.disarm()
        for number, handler in self._previous.items():
            signal.signal(number, handler)

    def request(self, name: str) -> None:
        """Ask the run to stop; ``name`` says who asks."""
        self._name = self._name or name

    def disarm(self) -> None:
        """Raise nothing from now on."""
        if self._armed:
            self._armed = False
            self._clock.unwatch(self._look)

    def _handle(self, number: int, frame: FrameType | None) -> None:
        self.request(signal.Signals(number).name)

    def _look(self) -> None:
        if self._name:
            who = "Ctrl-C" if self._name == "SIGINT" else self._name
            raise Interrupted(f"stopped by {who}", next_step="the readings taken so far are in the record")
