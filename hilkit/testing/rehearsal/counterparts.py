"""The simulated counterparts of SCPI instruments and of line consoles: bytes in, bytes out."""

from __future__ import annotations

import re
from abc import abstractmethod
from collections.abc import Mapping
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hilkit.instruments import Dialect
from hilkit.instruments.driver_file import TraceEntry
from hilkit.sim.analyser import Analyser
from hilkit.sim.common import block
from hilkit.sim.device import INPUT_LIMIT, Device, Instrument, Output
from hilkit.sim.status import ScpiError
from hilkit.testing.rehearsal.doubts import Doubts
from hilkit.testing.rehearsal.grammar import Heard
from hilkit.testing.rehearsal.samples import answer_for, sample
from hilkit.testing.rehearsal.speech import NoAnswer, Speech

__all__ = ["ConsoleCounterpart", "ScpiCounterpart"]

_ERRORS = ":SYSTem:ERRor:NEXT?"
_UNKNOWN = ":NOBODY:KNOWS:THIS"
_COMMON = re.compile(r"\*[A-Za-z]{3}\??")


class Speaking(Instrument):
    """An instrument that answers a line at a time, whatever link leads to it."""

    def __init__(self, name: str, clock: Any, dialect: Dialect, *, latency_s: float) -> None:
        super().__init__(name, clock, latency_s=latency_s)
        self.dialect = dialect

    def connect(self, *, stream: bool) -> _Line:
        """Return a new connection."""
        return _Line(self, stream=stream)

    @abstractmethod
    def line(self, text: str, output: Output) -> None:
        """Carry out one line and put what it answers into ``output``."""

    def late(self, output: Output) -> None:
        """Put what has become ready by itself into ``output``."""

    def late_at(self) -> float | None:
        """Return when something may become ready by itself."""
        return None

    @property
    def terminator(self) -> bytes:
        """What ends each line that it sends."""
        return self.dialect.link.read_termination.encode()


class _Line:
    """One connection; see ``hilkit.sim.device.Device``."""

    lost = False

    def __init__(self, instrument: Speaking, *, stream: bool) -> None:
        self._instrument, self._stream = instrument, stream
        self._input = bytearray()
        self._output = Output(instrument.clock)

    def receive(self, data: bytes) -> None:
        """Take bytes and carry out every complete line."""
        end = self._instrument.dialect.link.write_termination.encode()
        with self._instrument.lock:
            self._input += data
            if len(self._input) > INPUT_LIMIT:
                self._input.clear()
            while (place := self._input.find(end)) >= 0:
                text = self._input[:place].decode("utf-8", "replace")
                del self._input[: place + len(end)]
                self._instrument.line(text, self._output)
            if not self._stream and self._input:  # a message has an end of its own
                text = self._input.decode("utf-8", "replace")
                self._input.clear()
                self._instrument.line(text, self._output)

    @property
    def pending(self) -> bool:
        """True when output is ready now."""
        with self._instrument.lock:
            self._instrument.late(self._output)
            return self._output.ready

    def take(self, count: int, *, until: bytes = b"") -> bytes:
        """Return what is ready."""
        with self._instrument.lock:
            return self._output.take(count, until=until)

    @property
    def at_end(self) -> bool:
        """True when no byte of an answer is left on a message connection."""
        return not self._stream and not self._output.ready

    def wake_at(self) -> float | None:
        """Return when output may appear by itself."""
        times = [self._output.ready_at, self._instrument.late_at()]
        return min((time for time in times if time is not None), default=None)

    def talk(self) -> None:
        """Do nothing: reading without a question is noticed by the time-out."""

    def clear(self) -> None:
        """Forget what is on its way."""
        with self._instrument.lock:
            self._input.clear()
            self._output.clear()

    def status_byte(self) -> int:
        """Return 0: nothing that hilkit needs hangs on it."""
        return 0

    def close(self, *, clean: bool = True) -> None:
        """End the connection."""
        self.clear()


class ScpiCounterpart(Speaking):
    """A SCPI instrument that understands the texts of one dialect, with a simulated one behind it."""

    def __init__(
        self,
        inner: Instrument,
        dialect: Dialect,
        generic: Dialect,
        *,
        identity: str,
        doubts: Doubts,
        assumed: Mapping[str, str],
    ) -> None:
        super().__init__(inner.name, inner.clock, dialect, latency_s=0.0)
        self.inner = inner
        self._identity = identity
        self._assumed = assumed
        self._translated: Device = inner.connect(stream=True)
        self._raw: Device = inner.connect(stream=True)
        self._doubts = doubts
        self._speech = Speech(inner.name, dialect, generic, tell=self._tell, ask=self._ask, doubts=doubts)

    def line(self, text: str, output: Output) -> None:
        """Carry out a message: the whole of it, or its units one by one."""
        units = _units(text)
        while units:
            for count in range(len(units), 0, -1):
                if self._unit(";".join(units[:count]).strip(), output):
                    units = units[count:]
                    break
            else:
                if units[0].strip():
                    self._tell(_UNKNOWN)
                    self._doubts.add(self.name, f"{units[0].strip()!r} is no text of its driver file")
                units = units[1:]

    def _unit(self, text: str, output: Output) -> bool:
        """Carry out one command or question; False if nothing knows it."""
        link, test = self.dialect.link, self.dialect.self_test
        if self.dialect.trace is not None and text == self.dialect.trace.query:
            self._send_trace(self.dialect.trace, output)
            return True
        if (heard := self._speech.grammar.hear(text)) is not None:
            self._heard(heard, output)
            return True
        if text == link.error_query:
            self._say(self._ask(_ERRORS), output)
        elif test is not None and text == test.query:
            self._say(self._ask("*TST?"), output)
        elif text in self._assumed:
            self._say(self._assumed[text], output)
        elif text.upper() == "*IDN?":
            self._tell("*IDN?")  # what it costs and what faults do to it
            self._drop()
            self._say(self._identity, output)
        elif _COMMON.match(text):
            self._raw.receive(f"{text}\n".encode())
            self.late(output)
        else:
            return False
        return True

    def _heard(self, heard: Heard, output: Output) -> None:
        if not heard.query:
            self._speech.carry_out(heard)
            return
        try:
            self._say(self._speech.answer(heard), output)
        except NoAnswer:
            return

    def _say(self, text: str | None, output: Output) -> None:
        if text is not None:
            output.put(text.encode("utf-8") + self.terminator)

    def late(self, output: Output) -> None:
        """Hand over answers to common commands, which may wait for an operation."""
        while self._raw.pending:
            if piece := self._raw.take(1 << 20, until=b"\n"):
                output.put(piece.removesuffix(b"\n") + self.terminator)

    def late_at(self) -> float | None:
        """Return when a common command may be answered."""
        return self._raw.wake_at()

    def _tell(self, text: str) -> None:
        self._translated.receive(f"{text}\n".encode())

    def _ask(self, text: str) -> str | None:
        self._drop()
        self._tell(text)
        if not self._translated.pending:
            return None
        return self._translated.take(1 << 20, until=b"\n").decode("utf-8", "replace").rstrip("\n")

    def _drop(self) -> None:
        while self._translated.pending:
            self._translated.take(1 << 20)

    def _send_trace(self, entry: TraceEntry, output: Output) -> None:
        """Send the trace as the driver file says that it comes."""
        analyser = self.inner
        assert isinstance(analyser, Analyser)
        analyser.settle()
        analyser.spend()
        try:
            levels = analyser.levels()
        except ScpiError as error:
            analyser.status.error(error.code, error.info)
            return
        values = levels
        if entry.layout == "xy":
            axis = np.linspace(analyser.look_up("start"), analyser.look_up("stop"), levels.size)
            values = np.column_stack((axis, levels)).ravel()
        output.put(_encoded(values, entry) + self.terminator)


def _encoded(values: NDArray[np.float64], entry: TraceEntry) -> bytes:
    if entry.format == "ascii":
        return ",".join(f"{value:.9E}" for value in values.tolist()).encode()
    order = ">" if entry.byte_order == "big" else "<"
    size = 4 if entry.format == "real32" else 8
    return block(values.astype(f"{order}f{size}").tobytes())


def _units(text: str) -> list[str]:
    """Return the units of a program message; a semicolon in quotes separates nothing."""
    units, quote, start = [], "", 0
    for place, char in enumerate(text):
        if quote:
            quote = "" if char == quote else quote
        elif char in "\"'":
            quote = char
        elif char == ";":
            units.append(text[start:place])
            start = place + 1
    return [*units, text[start:]]


class Radio(Protocol):
    """The simulated radio behind a console; see ``hilkit.sim.radio.SimRadio``."""

    @property
    def booting(self) -> bool:
        """True while it hears nothing."""
        ...

    def handle_line(self, text: str) -> str:
        """Return the answer to a command of the generic language."""
        ...

    def console_lines(self) -> list[str]:
        """Return what it says by itself."""
        ...


class ConsoleCounterpart(Speaking):
    """A radio on a line console, with the manners and the texts of one dialect."""

    def __init__(
        self, name: str, clock: Any, dialect: Dialect, generic: Dialect, radio: Radio, doubts: Doubts
    ) -> None:
        super().__init__(name, clock, dialect, latency_s=0.001)
        assert dialect.line is not None
        self._manners = dialect.line
        self._radio = radio
        self._refused: Mapping[str, str] | None = None
        self._doubts = doubts
        self._sorry = re.compile(r"sorry (?P<number>\d+) (?P<text>.*)")
        self._speech = Speech(name, dialect, generic, tell=self._tell, ask=self._ask, doubts=doubts)
        self._done = sample(dialect.line.done)
        if re.fullmatch(dialect.line.done, self._done) is None:
            doubts.add(name, f"no text was found that fits the pattern of done, {dialect.line.done!r}")

    def line(self, text: str, output: Output) -> None:
        """Echo, answer, prompt: each as the manners of the dialect say."""
        if self._radio.booting:
            return
        self.spend()
        end = self.terminator
        if self._manners.echo:
            output.put(text.encode("utf-8") + end)
        answer = self._answer(text.strip()) if text.strip() else ""
        for spoken in self._radio.console_lines():
            if self._manners.noise:
                output.put(f"{self._manners.noise} {spoken.lstrip('~ ')}".encode() + end)
        if answer:
            output.put(answer.encode("utf-8") + end)
        output.put(self._manners.prompt.encode("utf-8"))

    def _answer(self, text: str) -> str:
        heard = self._speech.grammar.hear(text)
        if heard is None:
            self._doubts.add(self.name, f"{text!r} is no text of its driver file")
            return self._error({"number": "10", "text": "unknown command"})
        self._refused = None
        try:
            if heard.query:
                return self._speech.answer(heard)
            self._speech.carry_out(heard)
        except NoAnswer:
            return self._error(self._refused or {"number": "99", "text": "no answer"})
        return self._done if self._refused is None else self._error(self._refused)

    def _error(self, said: Mapping[str, str]) -> str:
        text = answer_for(self._manners.error, said)
        if text is None:
            self._doubts.add(self.name, f"no text was found that fits the pattern {self._manners.error!r}")
        return text if text is not None else " ".join(said.values())

    def _tell(self, text: str) -> None:
        found = self._sorry.fullmatch(self._radio.handle_line(text))
        self._refused = found.groupdict() if found is not None else None

    def _ask(self, text: str) -> str | None:
        reply = self._radio.handle_line(text)
        found = self._sorry.fullmatch(reply)
        self._refused = found.groupdict() if found is not None else None
        return None if found is not None or not reply else reply
