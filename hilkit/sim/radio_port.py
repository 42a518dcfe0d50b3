"""The radio's control line: echo, answer, prompt, and a console that talks in between.

The unit echoes each command line, answers it and prints ``ph> `` without a line feed. Console lines that
begin with ``~ `` come whenever the unit has something to say, also between echo and answer. One client at a
time: a second one is refused, and for some seconds after a client vanished in the middle, every one is.
"""

from __future__ import annotations

from typing import Any, Protocol

from hilkit.sim.device import INPUT_LIMIT, Instrument, Output
from hilkit.sim.faults import Strike

__all__ = ["PROMPT", "LineRadio", "RadioConsole", "RadioDevice"]

PROMPT = b"ph> "


class RadioConsole(Protocol):
    """The physics and the logic behind the line.

    While ``rf_stuck``, RF stays as it is whatever the unit answers.
    """

    rf_stuck: bool

    @property
    def booting(self) -> bool:
        """True while the unit starts, or has no power, and hears nothing."""
        ...

    @property
    def power_cycles(self) -> int:
        """How often its power has come back."""
        ...

    def handle_line(self, text: str) -> str:
        """Return the answer to a command line, without echo, prompt and last line feed; "" for none."""
        ...

    def console_lines(self) -> list[str]:
        """Return and forget the console lines that are due."""
        ...

    def reboot(self) -> None:
        """Start again."""

    def lose_lock(self) -> None:
        """Let every synthesiser fall out of lock."""

    def lose_load(self) -> None:
        """Let what every port leads to come off."""

    def lose_reference(self) -> None:
        """Take the reference from the clock input."""

    def overheat(self) -> None:
        """Become too warm."""

    def hold_attenuators(self, held: bool) -> None:
        """While ``held``, answer for the transmit attenuators but do not move them."""

    def draw_more(self) -> None:
        """Draw more current than it should."""


class LineRadio(Instrument):
    """The radio as an instrument: who may connect, and what its faults do."""

    def __init__(
        self,
        name: str,
        clock: Any,
        *,
        console: RadioConsole,
        hold_s: float = 0.0,
        **common: Any,
    ) -> None:
        super().__init__(name, clock, **common)
        self.console = console
        self._hold_s = hold_s
        self._free_at = 0.0
        self._current: RadioDevice | None = None

    @property
    def refuses(self) -> bool:
        """True while a client is connected, and for the hold time after one vanished."""
        held = self._current is not None and not self._current.lost and not self._current.forgotten
        return held or self.clock.now() < self._free_at

    def connect(self, *, stream: bool = True) -> RadioDevice:
        """Return the connection; ask :attr:`refuses` before."""
        self._current = RadioDevice(self)
        return self._current

    def release(self, device: RadioDevice, *, clean: bool) -> None:
        """Forget a connection; hold the port when it did not end cleanly."""
        if device is self._current:
            self._current = None
            self._free_at = self.clock.now() + (0.0 if clean else self._hold_s)


class RadioDevice:
    """One connection to the radio's control line."""

    def __init__(self, radio: LineRadio) -> None:
        self._radio = radio
        self._input = bytearray()
        self._output = Output(radio.clock)
        self._cycles = radio.console.power_cycles
        self._deaf = False
        self.lost = False

    @property
    def forgotten(self) -> bool:
        """True when the unit was without power meanwhile: it knows nothing of this connection any more."""
        return self._radio.console.power_cycles != self._cycles

    def receive(self, data: bytes) -> None:
        """Take bytes; every complete line is echoed and answered. A carriage return at its end is ignored."""
        with self._radio.lock:
            if self.lost or self._deaf:
                return
            if self.forgotten and not self._radio.console.booting:
                self.lost = True
                self._output.clear()
                return
            self._input += data
            if len(self._input) > INPUT_LIMIT:
                self._input.clear()
            while not self.lost and not self._deaf and (end := self._input.find(b"\n")) >= 0:
                line = self._input[:end].decode("utf-8", "replace").rstrip("\r")
                del self._input[: end + 1]
                self._line(line)

    def _line(self, line: str) -> None:
        console = self._radio.console
        strike = self._radio.faults.strike(self._radio.name, line)
        if strike.dropped_connection or strike.half_open:
            self.lost, self._deaf = strike.dropped_connection, strike.half_open
            self._output.clear()
            return
        if strike:
            self._suffer(strike)
        console.hold_attenuators("stuck_attenuator" in strike)
        if strike.reboot:
            console.reboot()
        if strike.swallows or console.booting:
            return
        self._radio.spend()
        self._output.put(line.encode() + b"\n")
        self._say(line, strike)

    def _suffer(self, strike: Strike) -> None:
        console = self._radio.console
        console.rf_stuck = "stuck_rf" in strike
        if "lost_lock" in strike:
            console.lose_lock()
        if "lost_reference" in strike:
            console.lose_reference()
        if "lost_load" in strike:
            console.lose_load()
        if "overheating" in strike:
            console.overheat()
        if "excess_current" in strike:
            console.draw_more()

    def _say(self, line: str, strike: Strike) -> None:
        answer = "sorry 99 refused" if strike.refusal else self._radio.console.handle_line(line)
        self._chatter()
        if answer:
            for piece, delay_s in strike.disturb(f"{answer}\n".encode()):
                self._output.put(piece, delay_s=delay_s)
        self._output.put(PROMPT)

    def _chatter(self) -> None:
        for line in self._radio.console.console_lines():
            self._output.put(line.encode() + b"\n")

    @property
    def pending(self) -> bool:
        """True when output is ready now."""
        with self._radio.lock:
            if not self.lost and not self._deaf:
                self._chatter()
            return self._output.ready

    def take(self, count: int, *, until: bytes = b"") -> bytes:
        """Return up to ``count`` bytes of output, none behind the first byte ``until``."""
        with self._radio.lock:
            return self._output.take(count, until=until)

    @property
    def at_end(self) -> bool:
        """False: a line has no END."""
        return False

    def wake_at(self) -> float | None:
        """Return when a late answer becomes readable."""
        return self._output.ready_at

    def talk(self) -> None:
        """Do nothing: the radio does not mind being read."""

    def clear(self) -> None:
        """Drop what the client has not read; the unit does not notice."""
        with self._radio.lock:
            self._output.take(1 << 62)

    def status_byte(self) -> int:
        """Return 0: the radio has no status byte."""
        return 0

    def close(self, *, clean: bool = True) -> None:
        """End the connection."""
        with self._radio.lock:
            self._radio.release(self, clean=clean and not self._deaf)
