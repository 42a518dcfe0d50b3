"""One connection to a SCPI instrument: the message exchange of IEEE 488.2-1992, clause 6.

A ``stream`` connection (raw socket, serial) has nothing but bytes: an answer that nobody read stays in the
stream. A message connection (GPIB, USBTMC, VXI-11, HiSLIP) knows where an answer ends and throws an unread
one away with -410 when the next message arrives (clause 6.3.2).
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from hilkit.sim.device import INPUT_LIMIT, Output
from hilkit.sim.faults import NO_STRIKE
from hilkit.sim.program import Unit, find_terminator, parse_data, split_units
from hilkit.sim.scpi import Command
from hilkit.sim.status import ScpiError

if TYPE_CHECKING:
    from hilkit.sim.instrument import ScpiInstrument

__all__ = ["ScpiDevice"]

OUTPUT_LIMIT = 1 << 20
"""Unread answer, in bytes, above which a further query deadlocks (-430)."""


class ScpiDevice:
    """One connection to a SCPI instrument: parser state, input and output buffer."""

    def __init__(self, instrument: ScpiInstrument, *, stream: bool) -> None:
        self._instrument = instrument
        self._stream = stream
        self._input = bytearray()
        self._output = Output(instrument.clock)
        self._messages: deque[str] = deque()
        self._units: deque[Unit | ScpiError] | None = None
        self._reply: list[bytes] = []
        self._strike = NO_STRIKE
        self._deaf = False
        self._path: object = None
        self._open_ended = False
        self._started = False
        self._requested = False
        self.lost = False

    # input

    def receive(self, data: bytes) -> None:
        """Take program message bytes and carry out what is complete."""
        with self._instrument.lock:
            self._instrument.settle()
            if self.lost or self._deaf or self._instrument.silent:
                return
            if not self._stream and not self._input and self._asked:
                self._discard()
                self._instrument.status.error(-410)
            self._input += data
            self._split()
            self._run()

    @property
    def _asked(self) -> bool:
        """True while an answer is unread or still being made."""
        held = any(isinstance(unit, Unit) and unit.query for unit in self._units or ())
        return held or bool(self._reply) or self._output.ready_at is not None

    def _split(self) -> None:
        while (end := find_terminator(self._input)) >= 0:
            self._messages.append(self._input[:end].decode("latin-1").rstrip("\r"))
            del self._input[: end + 1]
        if len(self._input) > INPUT_LIMIT:
            self._input.clear()
            self._instrument.status.error(-363)

    # execution

    def _run(self) -> None:
        """Carry out messages until one has to wait for an operation or none is left."""
        while not self.lost and not self._deaf:
            if self._units is None:
                if not self._messages:
                    return
                if not self._begin(self._messages.popleft()):
                    continue
            if not self._advance():
                return
            self._end()

    def _begin(self, message: str) -> bool:
        """Start a message; False when a fault swallows it."""
        self._strike = self._instrument.faults.strike(self._instrument.name, message)
        if self._strike:
            self._instrument.struck(self._strike)
        if self._strike.dropped_connection or self._strike.half_open:
            self._discard()
            self.lost = self._strike.dropped_connection
            self._deaf = self._strike.half_open
        if self._strike.reboot:
            self._discard()
            self._instrument.reboot()
        if self._strike.swallows:
            return False
        if self._strike.refusal:
            self._instrument.status.error(-200)
            return False
        self._units = deque()
        try:
            self._units.extend(split_units(message))
        except ScpiError as error:
            self._units.append(error)
        self._path = self._instrument.tree.root
        self._open_ended = self._started = False
        return True

    def _advance(self) -> bool:
        """Carry out the units of the message; False when one has to wait."""
        assert self._units is not None
        while self._units:
            self._instrument.strike = self._strike
            try:
                if not self._unit(self._units[0]):
                    return False
                self._units.popleft()
            except ScpiError as error:
                self._instrument.status.error(error.code, error.info)
                self._units.popleft()
                if error.code > -200:  # the parser lost its way: the rest of the message is not looked at
                    self._units.clear()
            finally:
                self._instrument.strike = NO_STRIKE
        return True

    def _unit(self, unit: Unit | ScpiError) -> bool:
        if isinstance(unit, ScpiError):
            raise unit
        command, path = self._instrument.tree.find(unit.header, self._path)
        if unit.query and command.ask_starts is not None and not self._started:
            command.ask_starts(self._instrument)
            self._started = True
        waits = command.ask_waits if unit.query else command.do_waits
        if waits and self._instrument.busy:
            return False
        self._path = path
        self._started = False
        self._instrument.spend()
        self._instrument.settle()
        self._carry_out(command, unit)
        return True

    def _carry_out(self, command: Command, unit: Unit) -> None:
        data = parse_data(unit.data)
        if not unit.query:
            command.execute(self._instrument, data)
            return
        if self._open_ended:
            raise ScpiError(-440)
        if not self._stream and sum(map(len, self._reply)) > OUTPUT_LIMIT:
            self._reply.clear()
            raise ScpiError(-430)
        self._instrument.message_available = bool(self._reply) or self._output.ready
        answer = command.answer(self._instrument, data)
        self._reply.append(answer.encode("latin-1", "replace") if isinstance(answer, str) else answer)
        self._open_ended = command.open_ended

    def _end(self) -> None:
        self._units = None
        if self._reply:
            message = b";".join(self._reply) + b"\n"
            self._reply = []
            for piece, delay_s in self._strike.disturb(message):
                self._output.put(piece, delay_s=delay_s)

    def _discard(self) -> None:
        self._units = None
        self._reply = []
        self._messages.clear()
        self._output.clear()

    # output

    def _look(self) -> None:
        self._instrument.settle()
        if self._units is not None or self._messages:
            self._run()

    @property
    def pending(self) -> bool:
        """True when output is ready now."""
        with self._instrument.lock:
            self._look()
            return self._output.ready

    def take(self, count: int, *, until: bytes = b"") -> bytes:
        """Return up to ``count`` bytes of output, none behind the first byte ``until``."""
        with self._instrument.lock:
            self._look()
            return self._output.take(count, until=until)

    @property
    def at_end(self) -> bool:
        """True when no byte of an answer is left on a message connection."""
        return not self._stream and not self._output.ready

    def wake_at(self) -> float | None:
        """Return when output may appear by itself."""
        with self._instrument.lock:
            times = [self._output.ready_at]
            if self._units is not None:
                times.append(self._instrument.busy_until)
            return min((time for time in times if time is not None), default=None)

    def talk(self) -> None:
        """Queue -420 when a message connection reads without having asked (IEEE 488.2 clause 6.3.2.2)."""
        with self._instrument.lock:
            if (
                not self._stream
                and not self._asked
                and not self._strike.swallows
                and not self._instrument.silent
            ):
                self._instrument.status.error(-420)

    def clear(self) -> None:
        """Device clear (IEEE 488.2 clause 5.8): buffers emptied, ``*OPC`` forgotten, operations go on.

        A stream has no device clear: what has arrived at the client is dropped there, nothing else happens.
        """
        with self._instrument.lock:
            if self._stream:
                self._output.take(1 << 62)
                return
            self._input.clear()
            self._discard()
            self._instrument.forget_completion()

    def status_byte(self) -> int:
        """Return the status byte with RQS in bit 6: set by a new reason, cleared by reading (11.2.2)."""
        with self._instrument.lock:
            self._look()
            self._instrument.message_available = bool(self._reply) or self._output.ready
            byte = self._instrument.status_byte()
            reason = bool(byte & 64)
            request = reason and not self._requested
            self._requested = reason
            return (byte & ~64) | (64 if request else 0)

    def close(self, *, clean: bool = True) -> None:
        """Forget the buffers of this connection."""
        with self._instrument.lock:
            self._input.clear()
            self._discard()
