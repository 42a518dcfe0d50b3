"""The one gate that every change of RF state passes: predict, compare with the ratings, order, send, verify.

The order is: RF down, then relay, pad or LO moves, then settling, then RF up, unless the bench file allows a
part to move under RF; more attenuation before more drive, less drive before less attenuation. A transmit
attenuation may step with RF up, since levels stay between both predicted ends. The instrument classes read
back what they set and raise ``RefusedError`` where it differs: so what returned is known, and what never did,
or failed on the way, is unknown and is sent again.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from hilkit.bench.path import Path, PathError, frequency_text
from hilkit.errors import BenchError, HilkitError, RefusedError, SafetyStop
from hilkit.instruments.hurry import hurried
from hilkit.safety.hot import carrier_may_move, pad_may_move, switch_may_move
from hilkit.safety.interlocks import Interlocks
from hilkit.safety.prediction import REFUSED, power_sum_dbm, predict, refuse_overload
from hilkit.safety.states import RfState

if TYPE_CHECKING:
    from hilkit.bench import Connected
    from hilkit.clock import Clock

__all__ = ["Gate"]

LOCK_DEADLINE_S = 10.0
"""Longest wait for the synthesiser before RF goes up."""

LOCK_POLL_S = 0.05

TWO_TONES_DBFS = -6.0
"""Highest drive of each of two tones: together they then peak at full scale, to 0.02 dB."""

SAME_DB = 1e-6
"""Attenuations that differ by less are the same: no step is as small, sums of decimals are as inexact."""

MUTE_S = 1.0
"""Time in seconds that RF may take to go off after a failure, before the safe state of the run is left."""

LOST_DB = 0.01
"""A pad that says something else by more than this has lost its setting; it may answer with few digits."""

SAME_HZ = 1e-3
"""Carriers that differ by less are the same: no synthesiser steps as finely."""


@dataclass
class _Known:
    """What was read back of one channel; ``None`` is unknown. ``stream`` is what was loaded and started."""

    rf: bool | None = None
    carrier_hz: float | None = None
    attenuation_db: float | None = None
    stream: tuple[object, ...] | None = None
    state: RfState | None = None


@dataclass
class _Bench:
    channels: dict[int, _Known]
    pads: dict[str, float] = field(default_factory=dict)
    switches: dict[str, frozenset[int]] = field(default_factory=dict)


class Gate:
    """Holds the known state of a connected bench and is the only one to change it."""

    def __init__(self, connected: Connected, clock: Clock) -> None:
        self._connected = connected
        self._bench = connected.bench
        self._clock = clock
        self._known = _Bench({channel: _Known() for channel in self._bench.channels})
        self._hot: set[int] = set()
        self.interlocks = Interlocks(connected, clock, self.hot)

    def state(self, channel: int) -> RfState | None:
        """Return the state last reached on a channel, ``None`` before the first or after a failure."""
        return self._channel(channel).state

    def forget(self, channel: int | None = None) -> None:
        """Treat everything as unknown, as after a restart of the radio; the next state is sent in full.

        RF counts as off then: a restart takes it down, and so does the safe state.
        """
        for number in self._known.channels if channel is None else (channel,):
            self._known.channels[number] = _Known()
        if channel is None:
            self._known.pads.clear()
            self._known.switches.clear()
            self._hot.clear()

    def hot(self) -> dict[int, RfState | None]:
        """Return the channels whose RF is on, or may be, each with its state where it is known."""
        return {channel: self._known.channels[channel].state for channel in sorted(self._hot)}

    def apply(self, state: RfState) -> None:
        """Bring the bench into ``state``.

        Raises ``SafetyStop`` before anything is sent if a node would be overloaded, ``RefusedError`` if an
        instrument does not confirm what it was told; RF of the channel is then taken down.
        """
        path = self._bench.path(state.channel)
        self._refuse_impossible(state, path)
        self._refuse_unsafe(state, path)
        self._mute_unknown(state.channel)
        known = self._channel(state.channel)
        before, known.state = known.state, None
        try:
            self._reach(state, path, known, before)
        except HilkitError:
            # Nobody knows now what leaves the port. If muting fails too, the safe state of the run is left.
            with suppress(HilkitError), hurried(self._connected.radio, MUTE_S):
                self.mute(state.channel)
            raise
        known.state = state
        self.interlocks.now()

    def _reach(self, state: RfState, path: Path, known: _Known, before: RfState | None) -> None:
        if not state.rf_on:
            self.mute(state.channel)
        self._move_pad(state, path, before)
        self._move_carrier(state, known, before)
        self._set_level(state, known)
        if state.rf_on and known.rf is not True:
            self._wait_locked(state.channel)
            self._set_rf(state.channel, True)

    def confirm(self) -> None:
        """Ask pads and switches for what they were set to; ``RefusedError`` where one has lost it.

        An instrument that restarted comes back with the settings of its power-on, and says nothing.
        """
        for name, pad_db in self._known.pads.items():
            seen = self._connected.pads[name].get()
            if not _same(seen, pad_db, LOST_DB):
                raise self._lost(name, f"{seen:g} dB", f"{pad_db:g} dB")
        for name, closed in self._known.switches.items():
            found = frozenset(self._connected.switches[name].closed())
            if found != closed:
                raise self._lost(name, _listed(found), _listed(closed))

    def _lost(self, name: str, seen: str, known: str) -> RefusedError:
        return RefusedError(
            f"it says {seen}, but {known} was set: it has lost its settings",
            instrument=name,
            next_step="find out whether it restarted, or somebody was at its front panel",
        )

    def select(self, channel: int) -> None:
        """Route the switches of this channel's path to it, with RF down wherever something moves."""
        for switch, close in self._bench.path(channel).switch_positions.items():
            if self._known.switches.get(switch) == frozenset(close):
                continue
            through = self._channels_through(switch)
            if not switch_may_move(self._bench, switch, map(self.state, self._sending(through))):
                self._mute_all_of(through)
            self._known.switches.pop(switch, None)
            self._connected.switches[switch].route(close)
            self._known.switches[switch] = frozenset(close)

    def set_pad(self, channel: int, pad_db: float) -> None:
        """Set the step attenuator of a channel's path in dB, RF of all channels through it off.

        ``PathError`` for a pad that the path does not have.
        """
        self._set_pad(channel, pad_db, None)

    def _set_pad(self, channel: int, pad_db: float, before: RfState | None) -> None:
        path = self._bench.path(channel)
        pad = path.pad_instrument
        if pad is None:
            if pad_db:
                raise PathError(f"path {path.name} has no step attenuator to be set to {pad_db:g} dB")
            return
        if _same(self._known.pads.get(pad), pad_db, SAME_DB):
            return
        through = self._channels_through(pad)
        if self._sending(through) != [channel] or not pad_may_move(self._bench, pad, before):
            self._mute_all_of(through)
        self._known.pads.pop(pad, None)
        self._connected.pads[pad].set(pad_db)
        self._known.pads[pad] = pad_db

    def mute(self, channel: int) -> None:
        """Turn RF of one channel off, unless it is known to be off."""
        if self._channel(channel).rf is not False:
            self._set_rf(channel, False)

    def mute_all(self) -> None:
        """Turn RF of every channel off."""
        self._mute_all_of(self._known.channels)

    def _channel(self, channel: int) -> _Known:
        self._bench.path(channel)
        return self._known.channels[channel]

    def _channels_through(self, instrument: str) -> list[int]:
        return [number for number in self._known.channels if _passes(self._bench.path(number), instrument)]

    def _sending(self, channels: Iterable[int]) -> list[int]:
        """Return those of some channels whose RF is not known to be off."""
        return [channel for channel in channels if self._known.channels[channel].rf is not False]

    def _mute_all_of(self, channels: Iterable[int]) -> None:
        for channel in channels:
            self.mute(channel)

    def _mute_unknown(self, channel: int) -> None:
        # Another channel in a state that nobody knows would add to every level predicted here.
        others = {number: known for number, known in self._known.channels.items() if number != channel}
        self._mute_all_of(number for number, known in others.items() if known.state is None)

    def _refuse_impossible(self, state: RfState, path: Path) -> None:
        numbers = (
            state.carrier_hz,
            state.attenuation_db,
            state.drive_dbfs,
            state.pad_db,
            state.tone_offset_hz or 0.0,
            state.second_offset_hz or 0.0,
        )
        if not all(map(math.isfinite, numbers)):
            raise SafetyStop(f"{REFUSED}: a setting is not a number in {state}")
        radio = self._bench.radio
        if not radio.carrier_allowed(state.carrier_hz):
            raise SafetyStop(
                f"{REFUSED}: the radio may not be tuned to {frequency_text(state.carrier_hz)}",
                next_step=f"carriers allowed by the bench file: {radio.bands_text}",
            )
        if state.drive_dbfs > 0:
            raise SafetyStop(
                f"{REFUSED}: a drive of {state.drive_dbfs:g} dBFS is above full scale",
                next_step="0 dBFS is the highest drive",
            )
        if state.second_offset_hz is not None and state.drive_dbfs > TWO_TONES_DBFS:
            raise SafetyStop(
                f"{REFUSED}: two tones of {state.drive_dbfs:g} dBFS each would exceed full scale together",
                next_step=f"{TWO_TONES_DBFS:g} dBFS is the highest drive of each of two tones",
            )
        if state.tone_offset_hz is not None and state.waveform is not None:
            raise BenchError(f"channel {state.channel}: a tone and a waveform cannot be played at once")
        if state.pad_db and path.pad_instrument is None:
            raise PathError(
                f"{state.pad_db:g} dB of pad asked for, but path {path.name} has no step attenuator",
                next_step="ask for 0 dB, or add the step attenuator to the path in the bench file",
            )

    def _refuse_unsafe(self, state: RfState, path: Path) -> None:
        levels = predict(self._bench, state, unknown=self._unknown_switches(path))
        moving = self._pad_moves(state, path)
        for number, known in self._known.channels.items():
            other = known.state
            if number == state.channel or known.rf is not True or other is None:
                continue
            if moving and path.pad_instrument == self._bench.path(number).pad_instrument:
                continue
            for node, level in self._reached(other).items():
                if node in levels:
                    levels[node] = power_sum_dbm((levels[node], level))
        refuse_overload(self._bench, state, levels)

    def _reached(self, state: RfState) -> dict[str, float]:
        """Return the levels of a channel at the nodes it reaches; an unknown switch counts as closed."""
        path = self._bench.path(state.channel)
        nodes = set(path.nodes)
        unknown = self._unknown_switches(path)
        for switch, close in path.switch_positions.items():
            position = self._known.switches.get(switch)
            if position is not None and position != frozenset(close):
                nodes &= set(path.nodes_before_switch(switch))
        return {
            node: level
            for node, level in predict(self._bench, state, unknown=unknown).items()
            if node in nodes
        }

    def _unknown_switches(self, path: Path) -> frozenset[str]:
        """Return the switches of a path whose position nobody has read back; what they let through counts."""
        return frozenset(switch for switch in path.switch_positions if switch not in self._known.switches)

    def _pad_moves(self, state: RfState, path: Path) -> bool:
        pad = path.pad_instrument
        return pad is not None and not _same(self._known.pads.get(pad), state.pad_db, SAME_DB)

    def _move_pad(self, state: RfState, path: Path, before: RfState | None) -> None:
        if path.pad_instrument is not None and self._pad_moves(state, path):
            self._set_pad(state.channel, state.pad_db, before)

    def _move_carrier(self, state: RfState, known: _Known, before: RfState | None) -> None:
        if _same(known.carrier_hz, state.carrier_hz, SAME_HZ):
            return
        if before is None or not carrier_may_move(
            self._bench, replace(before, pad_db=state.pad_db), state.carrier_hz
        ):
            self.mute(state.channel)
        known.carrier_hz = None
        self._connected.radio.set_carrier(state.channel, state.carrier_hz)
        known.carrier_hz = state.carrier_hz
        if known.rf:
            self._wait_locked(state.channel)

    def _set_level(self, state: RfState, known: _Known) -> None:
        rising = known.attenuation_db is None or state.attenuation_db >= known.attenuation_db
        if rising:
            self._set_attenuation(state, known)
            self._set_stream(state, known)
        else:
            self._set_stream(state, known)
            self._set_attenuation(state, known)

    def _set_attenuation(self, state: RfState, known: _Known) -> None:
        if _same(known.attenuation_db, state.attenuation_db, SAME_DB):
            return
        known.attenuation_db = None
        self._connected.radio.set_attenuation(state.channel, state.attenuation_db)
        known.attenuation_db = state.attenuation_db

    def _set_stream(self, state: RfState, known: _Known) -> None:
        wanted = _stream_of(state)
        if known.stream == wanted:
            return
        radio, channel = self._connected.radio, state.channel
        before, known.stream = known.stream, None
        if before != ():
            self._stop(channel, certain=before is not None)
        if state.tone_offset_hz is not None and state.second_offset_hz is not None:
            radio.play_two_tones(channel, state.tone_offset_hz, state.second_offset_hz, state.drive_dbfs)
        elif state.tone_offset_hz is not None:
            radio.play_tone(channel, state.tone_offset_hz, state.drive_dbfs)
        elif state.waveform is not None:
            radio.play_waveform(channel, state.waveform, state.drive_dbfs)
        if wanted:
            radio.start_stream(channel)
        known.stream = wanted

    def _stop(self, channel: int, *, certain: bool) -> None:
        """Stop a stream; where it is not certain that there is one, a refusal is fine."""
        radio = self._connected.radio
        try:
            radio.stop_stream(channel)
        except RefusedError:
            if certain or "running" in radio.stream(channel).split():
                raise

    def _wait_locked(self, channel: int) -> None:
        deadline = self._clock.deadline(LOCK_DEADLINE_S)
        while (seen := self._connected.radio.synthesiser_state(channel)) != "locked":
            if deadline.passed:
                raise RefusedError(
                    f"the synthesiser of channel {channel} is {seen} after {LOCK_DEADLINE_S:g} s, RF is off",
                    instrument="radio",
                    next_step="check the reference clock, or restart the synthesiser",
                )
            self._clock.sleep(LOCK_POLL_S)

    def _set_rf(self, channel: int, on: bool) -> None:
        known = self._channel(channel)
        if on:
            self.interlocks.before_rf()
            self._hot.add(channel)
        last, known.state, known.rf = known.state, None, None
        self._connected.radio.set_rf(channel, on)
        known.rf = on
        if not on:
            self._hot.discard(channel)
        known.state = replace(last, rf_on=on) if last is not None else None


def _stream_of(state: RfState) -> tuple[object, ...]:
    if state.tone_offset_hz is not None:
        return ("tone", state.tone_offset_hz, state.second_offset_hz, state.drive_dbfs)
    return ("waveform", state.waveform, state.drive_dbfs) if state.waveform is not None else ()


def _passes(path: Path, instrument: str) -> bool:
    return any(element.instrument == instrument for element in path.elements)


def _listed(channels: Iterable[int]) -> str:
    return f"channels {', '.join(map(str, sorted(channels))) or 'none'} closed"


def _same(known: float | None, wanted: float, tolerance: float) -> bool:
    return known is not None and abs(known - wanted) <= tolerance
