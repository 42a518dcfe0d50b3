"""The simulated radio head behind its control language: lines in, lines out.

Echo, prompt and the mixing-in of console lines belong to the port; here is what the unit understands and
does.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Literal

from hilkit.clock import Clock
from hilkit.sim.channel import Channel, Stream
from hilkit.sim.profile import ProfileFile
from hilkit.sim.radio_receive import ReceiveWords
from hilkit.sim.radio_receive import Sorry as _Sorry
from hilkit.sim.transmitter import Transmission

__all__ = ["SimRadio"]

DETECTOR_FLOOR_W = 1e-9
"""What the detectors of forward and reflected power read of nothing: -60 dBm."""

BROKEN_PART_A = 1.5
"""Current that something broken in the unit draws."""

MOST_OF_EACH_DBFS = -6
"""Highest level of each of two tones: together they peak at full scale."""

MOST_CYCLES = 200
"""Cycles of a tone that the memory of the stream holds."""

FAN_STOPPED_C = 45.0
"""How much warmer the unit is with its fan stopped."""


class RadioPower:
    """The power input of the radio, as the output of a supply sees it."""

    def __init__(self, radio: SimRadio) -> None:
        self._radio = radio
        self._changed: Callable[[], None] | None = None

    def draw_a(self) -> float:
        """Return the current that the unit takes, in A."""
        return self._radio.draw_a()

    def when_changed(self, changed: Callable[[], None]) -> None:
        """Call ``changed`` after each change of that current."""
        self._changed = changed

    def look(self) -> None:
        """Let the supply see what the unit takes now."""
        if self._changed is not None:
            self._changed()

    def feed(self, volts: float) -> None:
        """Live or die with the voltage."""
        enough = volts >= self._radio.profile.draw.lowest.v
        if enough and not self._radio.powered:
            self._radio.power_up()
        elif not enough and self._radio.powered:
            self._radio.power_down()


class SimRadio:
    """The radio: one control language over several transmit channels."""

    def __init__(self, profile: ProfileFile, clock: Clock, seed: int) -> None:
        self.profile = profile.radio
        self._house = profile.reference
        self._ambient = profile.ambient.celsius
        self._clock = clock
        self.channels = {
            int(number): Channel(
                number, channel, self.profile.waveforms, seed, self.profile.calibration_time.s
            )
            for number, channel in self.profile.channels.items()
        }
        self._starts = self.profile.starts
        self._console: list[tuple[float, str]] = []
        self._chattered_s = clock.now()
        self.reference_present = self._house.present
        self.powered = True
        self.rf_stuck = False
        self.power_cycles = 0
        self.power = RadioPower(self)
        self.port_waves: Callable[[int], tuple[float, float]] = lambda number: (0.0, 0.0)
        self.loose: set[int] = set()
        self.excess_heat_c = 0.0
        self.excess_draw_a = 0.0
        self.on_change: Callable[[], None] = lambda: None
        """Called after every command that changed something."""
        self._start(clock.now(), uptime_s=self.profile.uptime.s)
        self._commands: dict[str, Callable[[list[str]], str]] = {
            "about": self._about,
            "clockin": self._clockin,
            "awake": self._awake,
            "rf": self._rf,
            "lo": self._lo,
            "trim": self._trim,
            "play": self._play,
            "tune": self._tune,
            "mend": self._mend,
            "warmth": self._warmth,
            "match": self._match,
            "reboot": self._reboot,
        }
        self.receive_words = ReceiveWords(self._in_band)
        self._commands |= self.receive_words.commands

    # power

    def power_down(self) -> None:
        """Lose the supply: no RF, no answer, everything forgotten."""
        self.powered = False
        self._console.clear()
        self._start(math.inf, uptime_s=0.0)

    def power_up(self) -> None:
        """Boot, since the supply is back: one start more."""
        self.powered = True
        self.power_cycles += 1
        self._chattered_s = self._clock.now()
        self.reboot()

    def draw_a(self) -> float:
        """Return the current that the unit takes from its supply, in A."""
        if not self.powered:
            return self.profile.draw.idle.a
        draw, total = self.profile.draw, self.profile.draw.idle.a + self.excess_draw_a
        for channel in self.channels.values():
            if channel.rf_on:
                share = min(1.0, 10 ** ((channel.nominal_level_dbm() - channel.full_scale_dbm()) / 20))
                total += draw.rf_on.a + share * draw.full_output.a
        return total

    def _start(self, ready_s: float, *, uptime_s: float) -> None:
        self._ready_s = ready_s
        self._awake_since_s = ready_s - uptime_s if self.powered else self._clock.now()
        self._external_since_s: float | None = None
        for channel in self.channels.values():
            channel.restart(ready_s if self.powered else self._clock.now(), self.profile.bands[0].low.hz)
            channel.powered = self.powered

    # control

    def handle_line(self, text: str) -> str:
        """Carry out one command line and return the answer, one line without echo and prompt.

        The answer is empty for an empty line, and for any line while the unit boots.
        """
        words = text.split()
        if self.booting or not words:
            return ""
        command = self._commands.get(words[0])
        if command is None:
            return f"sorry 10 unknown word {words[0]}"
        try:
            answer = command(words[1:])
        except _Sorry as refused:
            return str(refused)
        finally:
            self.power.look()
        if answer == "ok":
            self.on_change()
        return answer

    def console_lines(self) -> list[str]:
        """Return and forget the console lines that are due: ``~ ``, the time in s, and what the unit says."""
        now = self._clock.now()
        if not self.powered:
            return []
        every = self.profile.chatter_every
        while every is not None and self._chattered_s + every.s <= now:
            self._chattered_s += every.s
            self._say(self._chattered_s, f"warmth {self.temperature_c():.1f}")
        due = sorted(line for line in self._console if line[0] <= now)
        self._console = [line for line in self._console if line[0] > now]
        return [text for _, text in due]

    def _say(self, at_s: float, words: str) -> None:
        self._console.append((at_s, f"~ {at_s:.3f} {words}"))

    @property
    def booting(self) -> bool:
        """True while the unit starts and answers nothing."""
        return self._clock.now() < self._ready_s

    def reboot(self) -> None:
        """Start again by itself: RF off, everything forgotten, one start more; without power, nothing."""
        if not self.powered:
            return
        now = self._clock.now()
        self._starts += 1
        self._start(now + self.profile.boot_time.s, uptime_s=0.0)
        self._say(now + self.profile.boot_time.s, f"hello after start {self._starts}")

    def lose_lock(self, number: int | None = None) -> None:
        """Let the synthesiser of one channel, or of all, fall out of lock until it is restarted or tuned
        again.
        """
        for channel in self.channels.values() if number is None else [self.channels[number]]:
            channel.lose_lock(self._clock.now())
            self._say(self._clock.now(), f"lo {channel.number} lost")

    def lose_load(self) -> None:
        """Let what every port leads to come off: the ports are open from now on."""
        self.loose.update(self.channels)

    def lose_reference(self) -> None:
        """Take the house reference from the clock input."""
        self.reference_present = False

    def draw_more(self) -> None:
        """Let something in the unit break that draws current."""
        self.excess_draw_a = BROKEN_PART_A

    def overheat(self) -> None:
        """Stop the fan: the unit is much warmer at once."""
        self.excess_heat_c = FAN_STOPPED_C

    def hold_attenuators(self, held: bool) -> None:
        """While ``held``, the transmit attenuators answer but do not move."""
        for channel in self.channels.values():
            channel.held = held

    # state for the simulated bench

    def temperature_c(self) -> float:
        """Temperature of the unit: ambient plus what the channels heat it by."""
        now = self._clock.now()
        rise = (c.heat(now) * c.profile.amplifier.temperature_rise for c in self.channels.values())
        return self._ambient + 14.0 + self.excess_heat_c + sum(rise)

    def reference_state(self, now: float | None = None) -> Literal["locked", "seeking", "absent"]:
        """State of the clock input; the internal reference is always locked."""
        if self._external_since_s is None:
            return "locked"
        if not self.reference_present:
            return "absent"
        at = self._clock.now() if now is None else now
        locked = at >= self._external_since_s + self.profile.reference_lock_time.s
        return "locked" if locked else "seeking"

    def reference_error(self, now: float) -> float:
        """Relative frequency error of the clock in use."""
        external = self._external_since_s is not None and self.reference_state(now) == "locked"
        return self._house.error.value if external else self.profile.internal_error.value

    def transmission(self, number: int, now: float) -> Transmission:
        """Return the signal chain of a channel as it is at ``now``."""
        return self.channels[number].transmission(now, reference_error=self.reference_error(now))

    # commands

    def _about(self, words: list[str]) -> str:
        self._expect(words, 0)
        identity = self.profile.identity
        return f"about model={identity.model} serial={identity.serial} build={identity.build}"

    def _clockin(self, words: list[str]) -> str:
        if not words:
            source = "internal" if self._external_since_s is None else "external"
            return f"clockin {source} {self.reference_state()}"
        self._expect(words, 1)
        now = self._clock.now()
        if words[0] == "internal":
            self._external_since_s = None
        elif words[0] != "external":
            raise _Sorry(11, f"clockin knows external and internal, not {words[0]}")
        elif self._external_since_s is None:
            self._external_since_s = now
            if self.reference_present:
                self._say(now + self.profile.reference_lock_time.s, "clockin locked")
        return "ok"

    def _awake(self, words: list[str]) -> str:
        self._expect(words, 0)
        return f"awake seconds={self._clock.now() - self._awake_since_s:.1f} starts={self._starts}"

    def _rf(self, words: list[str]) -> str:
        channel, rest = self._channel(words)
        if not rest:
            return f"rf {channel.number} {'on' if channel.rf_told else 'off'}"
        channel.rf_told = self._switch(rest)
        if not self.rf_stuck:
            channel.set_rf(self._clock.now(), channel.rf_told)
        return "ok"

    def _lo(self, words: list[str]) -> str:
        channel, rest = self._channel(words)
        now = self._clock.now()
        if not rest:
            return f"lo {channel.number} {channel.carrier_hz:.0f} {channel.loop_state(now)}"
        self._expect(rest, 1)
        if rest[0] == "restart":
            channel.restart_loop(now)
            return "ok"
        carrier_hz = self._number(rest[0])
        if not self._in_band(carrier_hz):
            bands = " or ".join(f"{band.low.hz:.0f} to {band.high.hz:.0f}" for band in self.profile.bands)
            raise _Sorry(13, f"lo out of range {bands}")
        channel.tune(now, carrier_hz)
        self._say(now + channel.profile.synthesiser.lock_time.s, f"lo {channel.number} locked")
        return "ok"

    def _in_band(self, carrier_hz: float) -> bool:
        return any(band.low.hz <= carrier_hz <= band.high.hz for band in self.profile.bands)

    def _trim(self, words: list[str]) -> str:
        channel, rest = self._channel(words)
        if not rest:
            return f"trim {channel.number} {channel.told_trim_db:.2f}"
        self._expect(rest, 1)
        wanted = self._number(rest[0])
        high, step = channel.profile.attenuator.high.db, channel.profile.attenuator.step.db
        if not 0 <= wanted <= high:
            raise _Sorry(12, f"trim out of range 0 to {high:g}")
        if abs(wanted / step - round(wanted / step)) > 1e-6:
            raise _Sorry(14, f"trim moves in steps of {step:g}")
        channel.set_trim(self._clock.now(), round(wanted / step) * step)
        return "ok"

    def _play(self, words: list[str]) -> str:
        channel, rest = self._channel(words)
        if not rest:
            return self._playing(channel)
        if rest[0] in ("start", "stop"):
            self._expect(rest, 1)
            return self._run_stream(channel, rest[0] == "start")
        tones = rest[0] == "tones"
        self._expect(rest, 4 if tones else 3)
        dbfs, highest = self._number(rest[-1]), MOST_OF_EACH_DBFS if tones else 0
        if not -60 <= dbfs <= highest:
            raise _Sorry(15, f"play level out of range -60 to {highest}")
        stream = self._tones(rest[1], rest[2], dbfs) if tones else self._stream(rest[0], rest[1], dbfs)
        channel.load(self._clock.now(), stream)
        return "ok"

    def _tones(self, first: str, second: str, dbfs: float) -> Stream:
        largest = self.profile.largest_offset.hz
        stream = Stream(
            kind="tones", offset_hz=self._number(first), second_hz=self._number(second), dbfs=dbfs
        )
        both = stream.offset_hz, stream.second_hz
        if not all(1 <= abs(each) <= largest for each in both) or round(both[0]) == round(both[1]):
            raise _Sorry(16, f"tone offsets differ and are in range {largest:.0f} either side")
        if max(map(abs, stream.comb[1])) > MOST_CYCLES:
            raise _Sorry(19, f"tones do not repeat within {MOST_CYCLES} cycles")
        return stream

    def _stream(self, kind: str, name: str, dbfs: float) -> Stream:
        if kind == "tone":
            offset_hz = self._number(name)
            if not 0 < abs(offset_hz) <= self.profile.largest_offset.hz:
                raise _Sorry(16, f"tone offset out of range {self.profile.largest_offset.hz:.0f} either side")
            return Stream(kind="tone", offset_hz=offset_hz, dbfs=dbfs)
        if kind != "file":
            raise _Sorry(11, f"play knows tone, tones and file, not {kind}")
        if name not in self.profile.waveforms:
            raise _Sorry(17, f"no file {name}")
        return Stream(kind="file", name=name, dbfs=dbfs)

    def _run_stream(self, channel: Channel, running: bool) -> str:
        stream = channel.stream
        if stream.kind == "nothing":
            raise _Sorry(18, "nothing to play")
        channel.load(self._clock.now(), replace(stream, running=running))
        return "ok"

    def _playing(self, channel: Channel) -> str:
        stream = channel.stream
        what = {
            "nothing": "0",
            "tone": f"{stream.offset_hz:.0f}",
            "tones": f"{stream.offset_hz:.0f},{stream.second_hz:.0f}",
            "file": stream.name,
        }[stream.kind]
        level = "0" if stream.kind == "nothing" else f"{stream.dbfs:.1f}"
        return (
            f"play {channel.number} {stream.kind} {what} {level} {'running' if stream.running else 'stopped'}"
        )

    def _tune(self, words: list[str]) -> str:
        channel, rest = self._channel(words)
        now = self._clock.now()
        if not rest:
            channel.calibrate(now)
            return "ok"
        if rest != ["?"]:
            raise _Sorry(11, f"tune knows ?, not {' '.join(rest)}")
        state, percent = channel.calibration(now)
        return (
            f"tune {channel.number} {state} {percent}"
            if state == "busy"
            else f"tune {channel.number} {state}"
        )

    def _mend(self, words: list[str]) -> str:
        channel, rest = self._channel(words)
        now = self._clock.now()
        if not rest:
            state, percent = channel.corrections(now)
            return f"mend {channel.number} {state}" + ("" if state == "off" else f" {percent}")
        channel.correct(now, self._switch(rest))
        return "ok"

    def _warmth(self, words: list[str]) -> str:
        self._expect(words, 0)
        return f"warmth {self.temperature_c():.1f}"

    def _match(self, words: list[str]) -> str:
        channel, rest = self._channel(words)
        self._expect(rest, 0)
        forward, reflected = self.port_waves(int(channel.number))
        levels = (10 * math.log10(power + DETECTOR_FLOOR_W) + 30 for power in (forward, reflected))
        return "match {} forward={:.2f} reflected={:.2f}".format(channel.number, *levels)

    def _reboot(self, words: list[str]) -> str:
        self._expect(words, 0)
        self.reboot()
        return "ok"

    # words

    def _channel(self, words: list[str]) -> tuple[Channel, list[str]]:
        if not words:
            raise _Sorry(11, "a channel is missing")
        if not words[0].isdecimal() or int(words[0]) not in self.channels:
            raise _Sorry(19, f"no channel {words[0]}")
        return self.channels[int(words[0])], words[1:]

    def _expect(self, words: list[str], count: int) -> None:
        if len(words) != count:
            raise _Sorry(11, f"{count} words are needed here, not {len(words)}")

    def _switch(self, words: list[str]) -> bool:
        self._expect(words, 1)
        if words[0] not in ("on", "off"):
            raise _Sorry(11, f"on or off is needed here, not {words[0]}")
        return words[0] == "on"

    def _number(self, word: str) -> float:
        try:
            return float(word)
        except ValueError:
            raise _Sorry(11, f"a number is needed here, not {word}") from None
