"""Carries events to the record and then to everybody else."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace

from hilkit.clock import Clock
from hilkit.errors import RecordError
from hilkit.record import Event, Listener

__all__ = ["Bus"]


class Bus:
    """Stamps an event with bench time and calendar time and hands it on.

    The record comes first, and its failure is raised. Another listener that fails is not called again: a
    console that was closed must not end a night's run. ``reached_s`` is the bench time at which a run that is
    resumed goes on.
    """

    def __init__(
        self, record: Listener, listeners: Sequence[Listener], clock: Clock, *, reached_s: float = 0.0
    ) -> None:
        self._record = record
        self._listeners = list(listeners)
        self._clock = clock
        self._start = clock.now() - reached_s
        self._broken = False

    @property
    def now_s(self) -> float:
        """Bench time in seconds since the run began."""
        return self._clock.now() - self._start

    def emit(self, event: Event) -> None:
        """Hand on one event; raises ``RecordError`` if it could not be kept."""
        stamped = replace(event, at_s=self.now_s, utc=self._clock.utc())
        try:
            self._record(stamped)
        except RecordError:
            self._broken = True
            raise
        self._tell(stamped)

    def farewell(self, event: Event) -> None:
        """Hand on an event on the way out, whether or not the record takes it: ``broken`` tells."""
        with suppress(RecordError):
            self.emit(event)
            return
        self._tell(replace(event, at_s=self.now_s, utc=self._clock.utc()))

    @property
    def broken(self) -> bool:
        """True after the record failed."""
        return self._broken

    def _tell(self, event: Event) -> None:
        for listener in tuple(self._listeners):
            try:
                listener(event)
            except Exception:  # whatever goes wrong there, the run is worth more
                self._listeners.remove(listener)
