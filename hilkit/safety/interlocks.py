"""Watches the interlocks of a bench: before RF comes on, and all the time while it is.

They are read in the gate and between the slices of the clock's waits, nowhere else, and never while the link
of their instrument is in the middle of something. A reading takes its time and changes nothing else: no
setting, no sweep, no status that anybody else waits for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING

from hilkit.bench.interlocks import Interlock, Seen, instrument_of, look_at
from hilkit.errors import SafetyStop

if TYPE_CHECKING:
    from hilkit.bench import Connected
    from hilkit.clock import Clock
    from hilkit.safety.states import RfState

__all__ = ["Interlocks"]

POLL_S = 0.3
"""Time from one round to the next in seconds. With the slice of a wait and the reading itself it stays under
the half second in which a trip has to be seen."""

LATE_S = 2.0
"""Time in seconds after which an interlock that could not be read, since its link is being restored, counts
as tripped."""

RADIO = ("radio", "dc_supply")
"""Classes whose interlocks say nothing of RF that a generator makes."""


class Interlocks:
    """The interlocks of a connected bench.

    ``hot`` returns the channels whose RF is on, or may be, with the state each is in. Once tripped it stays
    so: everything that asks it from then on raises the same ``SafetyStop``.
    """

    def __init__(
        self, connected: Connected, clock: Clock, hot: Callable[[], Mapping[int, RfState | None]]
    ) -> None:
        self._connected = connected
        self._clock = clock
        self._hot = hot
        self._all = tuple(connected.bench.interlocks.values())
        self._polled = tuple(each for each in self._all if each.checked == "always")
        # A radio that is read anyhow need not be asked besides whether it is there.
        self._asks_radio = not any(each.instrument_class == "radio" for each in self._polled)
        self._due_s = -math.inf
        self._read_s: dict[str, float] = {}
        self._reading = False
        self._tripped: Seen | None = None
        self.source_on: Callable[[], bool] = lambda: False

    @contextmanager
    def watching(self) -> Iterator[None]:
        """Poll in every wait of the clock inside."""
        self._clock.watch(self.look)
        try:
            yield
        finally:
            self._clock.unwatch(self.look)

    @contextmanager
    def suspended(self) -> Iterator[None]:
        """Read nothing and raise nothing inside: the bench is being made safe there."""
        before, self._reading = self._reading, True
        try:
            yield
        finally:
            self._reading = before

    def begin(self) -> None:
        """Let the next round come at once, so that rounds lie at the same times of each run of a step."""
        self._due_s = -math.inf

    def before_rf(self) -> None:
        """Read all that can be read with RF off; ``SafetyStop`` where one does not hold."""
        self._refuse_tripped()
        self._round(each for each in self._all if each.checked != "low_power" and not each.with_rf)
        self.begin()

    def before_source(self) -> None:
        """Read what says something of a generator's RF; ``SafetyStop`` where one does not hold."""
        self._refuse_tripped()
        self._round(each for each in self._all if each.checked != "low_power" and _of_source(each))
        self.begin()

    def at_low_power(self) -> None:
        """Read everything, at the lowest level of a ramp; ``SafetyStop`` where one does not hold."""
        self._refuse_tripped()
        self._round(each for each in self._all if each.checked != "before_rf")

    def look(self) -> None:
        """Read what is due; ``SafetyStop`` where one does not hold.

        Something is due only while RF is on, or may be. The radio itself is asked too, whatever the bench
        file watches: one that is gone is a ``LinkError`` at once, not only at the next setting.
        """
        if self._reading or (self._tripped is None and self._clock.now() < self._due_s):
            return
        self._read_due()
        if hot := self._hot():
            self._ask_radio(min(hot))

    def now(self) -> None:
        """Read all that is polled, due or not."""
        self.begin()
        if not self._reading:
            self._read_due()

    def _read_due(self) -> None:
        self._refuse_tripped()
        if self._hot():
            self._round(self._polled)
        elif self.source_on():
            self._round(each for each in self._polled if _of_source(each))

    def _refuse_tripped(self) -> None:
        if self._tripped is not None:
            raise _stop(self._tripped)

    def _round(self, interlocks: Iterator[Interlock] | tuple[Interlock, ...]) -> None:
        if self._reading:
            return
        self._reading = True
        try:
            self._due_s = self._clock.now() + POLL_S
            for interlock in interlocks:
                self._read(interlock)
        finally:
            self._reading = False

    def _read(self, interlock: Interlock) -> None:
        item = instrument_of(interlock, self._connected)
        if item.busy:
            self._wait_for(interlock, restoring=item.restoring)
            return
        for channel in self._channels(interlock):
            seen = look_at(interlock, item, channel=channel)
            if not seen.held:
                self._trip(seen)
        self._read_s[interlock.name] = self._clock.now()

    def _ask_radio(self, channel: int) -> None:
        radio = self._connected.radio
        if not self._asks_radio or self._reading or radio.busy:
            return
        self._reading = True
        try:
            radio.rf(channel)
        finally:
            self._reading = False

    def _wait_for(self, interlock: Interlock, *, restoring: bool) -> None:
        """Leave a busy link alone; one that is being restored for long says nothing of its interlocks."""
        now = self._clock.now()
        since_s = now - self._read_s.setdefault(interlock.name, now)
        if restoring and since_s > LATE_S:
            trouble = f"its link has been out of order for {since_s:.1f} s"
            self._trip(Seen(interlock=interlock, trouble=trouble))

    def _channels(self, interlock: Interlock) -> tuple[int | None, ...]:
        """Return the channels to read of, ``None`` for what belongs to none."""
        if interlock.readable.of != "channel":
            return (None,)
        return tuple(
            channel
            for channel, state in self._hot().items()
            if interlock.channel in (None, channel) and self._means_something(interlock, state)
        )

    def _means_something(self, interlock: Interlock, state: RfState | None) -> bool:
        """Return whether enough comes out of the port to tell what it leads to."""
        if state is None or not state.rf_on or (state.tone_offset_hz is None and state.waveform is None):
            return False
        expected_dbm = self._connected.bench.radio.max_level_dbm - state.attenuation_db + state.drive_dbfs
        return expected_dbm >= interlock.above_dbm

    def _trip(self, seen: Seen) -> None:
        self._tripped = seen
        raise _stop(seen)


def _of_source(interlock: Interlock) -> bool:
    return interlock.instrument_class not in RADIO and not interlock.with_rf


def _stop(seen: Seen) -> SafetyStop:
    return SafetyStop(f"interlock {seen.interlock.name!r} tripped: {seen.sentence}", next_step=seen.next_step)
