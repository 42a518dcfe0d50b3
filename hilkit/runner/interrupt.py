"""A request to stop, from a person at the keyboard or from the operating system."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType, TracebackType
from typing import Any

from hilkit.clock import Clock
from hilkit.errors import Interrupted
from hilkit.runner.console import watch_console

__all__ = ["StopRequest"]

# A terminal that is closed, or a remote session that breaks off, sends SIGHUP; Windows has SIGBREAK for
# Ctrl-Break, and `console` for a closed window.
_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
_SPOKEN = {"SIGINT": "Ctrl-C", "SIGHUP": "a closed terminal (SIGHUP)", "SIGBREAK": "Ctrl-Break"}


def _meant_to_be_ignored(number: signal.Signals) -> bool:
    """True for the SIGHUP of a run under ``nohup``, which is meant to outlive its terminal."""
    return number.name == "SIGHUP" and signal.getsignal(number) is signal.SIG_IGN


class StopRequest:
    """Turns signals into ``Interrupted`` at a place where it does no harm; a context manager.

    The handlers only set a flag. A watcher of the clock looks at it between slices of a wait and raises.
    While ``suspended``, and after ``disarm``, the flag is still set by a signal but nothing is raised:
    bringing the bench to its safe state cannot be interrupted. Outside the main thread no handler can be set;
    ``request`` does the same by a call.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._armed = False
        self._name = ""
        self._previous: dict[signal.Signals, Any] = {}
        self._unwatch_console: Callable[[], None] | None = None

    def __enter__(self) -> StopRequest:
        if threading.current_thread() is threading.main_thread():
            for name in _SIGNALS:
                number = getattr(signal, name, None)
                if number is not None and not _meant_to_be_ignored(number):
                    self._previous[number] = signal.signal(number, self._handle)
            self._unwatch_console = watch_console(self.request)
        self._arm()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.disarm()
        if self._unwatch_console is not None:
            self._unwatch_console()
        for number, handler in self._previous.items():
            signal.signal(number, handler)

    def request(self, name: str) -> None:
        """Ask the run to stop; ``name`` says who asks."""
        self._name = self._name or name

    @contextmanager
    def suspended(self) -> Iterator[None]:
        """Raise nothing inside; what was asked before is raised first, what is asked inside at the end."""
        self._clock.look()
        armed = self._armed
        self.disarm()
        try:
            yield
        finally:
            if armed:
                self._arm()
        self._clock.look()

    def _arm(self) -> None:
        self._armed = True
        self._clock.watch(self._look)

    def disarm(self) -> None:
        """Raise nothing from now on."""
        if self._armed:
            self._armed = False
            self._clock.unwatch(self._look)

    def _handle(self, number: int, frame: FrameType | None) -> None:
        self.request(signal.Signals(number).name)

    def _look(self) -> None:
        if self._name:
            who = _SPOKEN.get(self._name, self._name)
            raise Interrupted(f"stopped by {who}", next_step="the readings taken so far are in the record")
