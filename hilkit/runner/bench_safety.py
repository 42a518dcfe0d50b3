"""Brings the bench of a run into its safe state: before anything else, after trouble, on every way out."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

from hilkit.bench import Bench, Connected
from hilkit.bench.connected import open_one
from hilkit.clock import Clock
from hilkit.errors import BenchError, BenchNotSafe, HilkitError, Interrupted
from hilkit.instruments.hurry import hurried
from hilkit.record import NoteTaken
from hilkit.runner.bus import Bus
from hilkit.runner.interrupt import StopRequest
from hilkit.runner.tail import Tail
from hilkit.runner.watched import Watch
from hilkit.safety import SafeState, reach_safe
from hilkit.safety.watchdog.links import Unreached

__all__ = ["BenchSafety"]

GREET_S = 1.0
"""Time in seconds that an instrument has to say who it is, once another one has failed to."""


class BenchSafety:
    """Knows how the bench was left: ``not_safe`` says what did not get there, ``made_safe`` that all did.

    ``watch`` is armed once the bench has been made safe for the first time, before any RF.
    """

    def __init__(self, bench: Bench, bus: Bus, clock: Clock) -> None:
        self.watch = Watch()
        self.not_safe: list[str] = []
        self.made_safe = False
        self._bench = bench
        self._bus = bus
        self._clock = clock
        self._state = SafeState()

    @contextmanager
    def left_safe(self, connected: Connected, request: StopRequest) -> Iterator[None]:
        """Bring the bench into its safe state before anything else, and again on every way out.

        A crash of an earlier run may have left RF on. On the way out no signal can shorten it.
        """
        try:
            with request.suspended():
                found = self._as_found(connected)
            self.reach(connected, request)
            for text in (*found, *connected.power_up(self._clock)):
                self._bus.emit(NoteTaken(step=0, text=text))
            self.watch.arm()
            yield
        except (Interrupted, KeyboardInterrupt):
            request.disarm()
            self._bus.farewell(
                NoteTaken(step=0, text="stopping: the bench is brought to its safe state first")
            )
            raise
        finally:
            request.disarm()
            self._make_safe(connected)
            self.watch.dismiss()

    def reach(self, connected: Connected, request: StopRequest) -> None:
        """Bring the bench into its safe state; raises ``BenchNotSafe`` where it does not get there."""
        with request.suspended():  # a wait broken off in there would pass for a bench that is not safe
            self._make_safe(connected, goes_on=True)
        if self.not_safe:
            raise BenchNotSafe(
                "the bench could not be brought to its safe state: " + "; ".join(self.not_safe),
                next_step="do by hand what is named here before anybody touches a connector",
            )
        if (trouble := self.disobeyed) is not None:
            raise trouble

    def quieten(self, resource_manager: Any, tail: Tail) -> None:
        """Turn RF off although the bench is not complete: an earlier run that crashed may have left it on.

        What can be reached is made safe. A radio that cannot be reached is cut off where the bench file says
        how; else RF may be on, and the bench is not safe.
        """
        opened: dict[str, Any] = {}
        missing = {}
        for spec in (self._bench.radio_spec, *self._bench.instruments.values()):
            try:
                item = open_one(spec, resource_manager, self._clock, tail)
                opened[spec.name] = item
                with hurried(item, GREET_S):
                    item.identity()
            except HilkitError as error:
                missing[spec.name] = error.message
                opened.pop(spec.name, None)
        name = self._bench.radio_spec.name
        radio: Any = opened.pop(name, None) or Unreached(name, missing[name])
        with Connected(self._bench, opened, radio) as found:
            self._make_safe(found, goes_on=True)

    @property
    def disobeyed(self) -> BenchError | None:
        """What is to be said where RF had to be cut by a second means, ``None`` where the radio obeyed."""
        if not self._state.cut:
            return None
        return BenchError(
            "the radio did not obey and RF had to be cut: " + "; ".join(self._state.cut),
            next_step="find out why it did not before it is powered or connected again",
        )

    @property
    def told(self) -> str:
        """A sentence on the safe state that was reached."""
        return f"the bench is in its safe state: {'; '.join(self._state.told)}"

    def _make_safe(self, connected: Connected, *, goes_on: bool = False) -> None:
        with self.watch.patient():
            state = reach_safe(connected, self._clock, keep_supplies=goes_on)
        self._state, self.not_safe = state, state.not_safe
        self.made_safe = not self.not_safe
        for text in state.cut:
            self._bus.farewell(NoteTaken(step=0, text=text))

    def _as_found(self, connected: Connected) -> list[str]:
        """Say what an earlier user of the bench left behind: RF on, entries in error queues."""
        told = []
        with suppress(HilkitError):  # a radio that does not say is dealt with by the safe state
            for channel in self._bench.channels:
                if connected.radio.rf(channel):
                    level = f"attenuation {connected.radio.attenuation(channel):g} dB"
                    told.append(f"RF of channel {channel} was on at the start of this run, {level}")
        for name, entries in connected.found.items():
            told.append(f"found in the error queue of {name}, from before this run: {'; '.join(entries)}")
        return told
