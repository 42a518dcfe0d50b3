"""A small in-memory bench for these tests: SCPI instruments behind a minimal resource manager.

It knows PyVISA only by what a link uses of a session: timeouts cost simulated time, nothing sleeps.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable
from typing import Any

from pyvisa import errors
from pyvisa.constants import ResourceAttribute, StatusCode

from hilkit.clock import VirtualClock
from hilkit.files import Lab
from hilkit.instruments import LinkSettings, ScpiLink, load_dialect, open_instrument

SOCKET = "TCPIP0::127.0.0.1::5025::SOCKET"
INSTR = "TCPIP0::127.0.0.1::inst0::INSTR"
IDENTITY = "Bench Lab,SA1,0042,1.0"

Answer = str | bytes | None | Callable[[str], "str | bytes | None"]


class FakeInstrument:
    """Remembers what is set under its header, answers it to the query of the same header.

    ``answers`` take precedence: a text, bytes, a function of the query, or None for silence. ``on_set`` is
    called with header and value of each command. ``log`` is every line received.
    """

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        self.log: list[str] = []
        self.values: dict[str, str] = {}
        self.answers: dict[str, Answer] = {"*IDN?": IDENTITY, ":SYSTEM:ERROR:NEXT?": self._next_error}
        self.on_set: Callable[[str, str], None] = lambda header, value: None
        self.queue: deque[str] = deque()
        self.events = 0
        self.done_at: float | None = None
        self.sweep_s = 0.0
        self.unknown: set[str] = set()
        self.output = bytearray()
        self.opened = 0
        self.cleared = 0

    def receive(self, data: bytes) -> None:
        for line in data.decode("latin-1").splitlines():
            self.log.append(line)
            for unit in re.split(r";(?=[:*])", line):
                self._unit(unit)

    def _unit(self, unit: str) -> None:
        header, _, value = unit.partition(" ")
        header = header.upper()
        if header in self.unknown or header.rstrip("?") in self.unknown:
            self.queue.append('-113,"Undefined header"')
        elif "?" in unit:
            answer = self.answers.get(unit.upper(), self.answers.get(header, self._register))
            reply = answer(unit) if callable(answer) else answer
            if reply is not None:
                self.output += reply if isinstance(reply, bytes) else reply.encode("latin-1") + b"\n"
        else:
            self._command(header, value)

    def _command(self, header: str, value: str) -> None:
        if header == "*CLS":
            self.queue.clear()
            self.events = 0
        elif header == "*OPC":
            self.done_at = max(self.done_at or 0.0, self.clock.now())
        elif header == ":INITIATE:IMMEDIATE":
            self.done_at = self.clock.now() + self.sweep_s
        elif value:
            self.values[header] = value
        self.on_set(header, value)

    def _register(self, query: str) -> str | None:
        header = query.upper().rstrip("?")
        if header == "*ESR":
            bits, self.events = self.events, 0
            if self.done_at is not None and self.clock.now() >= self.done_at:
                bits, self.done_at = bits | 1, None
            return str(bits)
        if header == "*OPC":
            return "1"
        if header == ":STATUS:OPERATION:CONDITION":
            return "8" if self.done_at is not None and self.clock.now() < self.done_at else "0"
        if header not in self.values:
            return "0"
        return self.values[header].split(" ")[0].replace("ON", "1").replace("OFF", "0")

    def _next_error(self, query: str) -> str:
        return self.queue.popleft() if self.queue else '0,"No error"'


class FakeSession:
    """What a link uses of a PyVISA session."""

    def __init__(self, instrument: FakeInstrument, socket: bool, timeout: float) -> None:
        self.instrument = instrument
        self.socket = socket
        self.timeout: float = timeout
        self.attributes: dict[Any, Any] = {}
        self.closed = False
        self.on_read: Callable[[], None] = lambda: None

    def write_raw(self, message: bytes) -> int:
        if self.instrument.opened < 0:
            raise errors.VisaIOError(StatusCode.error_connection_lost)
        self.instrument.receive(message)
        return len(message)

    def read_raw(self, size: int | None = None) -> bytes:
        end = self.instrument.output.find(b"\n") + 1 if self.socket else len(self.instrument.output)
        return self._take(end)

    def read_bytes(self, count: int, chunk_size: int | None = None, break_on_termchar: bool = False) -> bytes:
        ends = (ResourceAttribute.termchar_enabled, ResourceAttribute.asrl_end_in)
        assert 0 in [self.attributes.get(attribute) for attribute in ends], (
            "no termination character in a block"
        )
        return self._take(min(count, len(self.instrument.output)))

    def _take(self, count: int) -> bytes:
        self.on_read()
        if not count:
            self.instrument.clock.advance(self.timeout / 1000)
            raise errors.VisaIOError(StatusCode.error_timeout)
        data = bytes(self.instrument.output[:count])
        del self.instrument.output[:count]
        return data

    def set_visa_attribute(self, name: Any, state: Any) -> None:
        self.attributes[name] = state

    def clear(self) -> None:
        self.instrument.cleared += 1
        self.instrument.output.clear()

    def read_stb(self) -> int:
        return 4 if self.instrument.queue else 0

    def close(self) -> None:
        self.closed = True
        self.instrument.output.clear()


class FakeManager:
    """A resource manager with one instrument."""

    def __init__(self, instrument: FakeInstrument) -> None:
        self.instrument = instrument
        self.refusals: deque[Exception] = deque()
        self.sessions: list[FakeSession] = []

    def open_resource(self, resource_name: str, **options: Any) -> FakeSession:
        if self.refusals:
            raise self.refusals.popleft()
        assert 0 < options["timeout"] < 1e6, "a timeout is finite"
        self.instrument.opened += 1
        session = FakeSession(
            self.instrument,
            resource_name.endswith("SOCKET") or resource_name.startswith("ASRL"),
            options["timeout"],
        )
        self.sessions.append(session)
        return session


class Lines:
    """A transcript in memory."""

    def __init__(self) -> None:
        self.entries: list[tuple[str, str, str]] = []

    def line(self, instrument: str, direction: str, text: str) -> None:
        self.entries.append((instrument, direction, text))

    def sent(self) -> list[str]:
        return [text for _, direction, text in self.entries if direction == "->"]

    def text(self) -> str:
        return "\n".join(" ".join(entry) for entry in self.entries)


class FakeBench:
    """An instrument with a link or an instrument object on it."""

    def __init__(self, resource: str = SOCKET) -> None:
        self.clock = VirtualClock()
        self.instrument = FakeInstrument(self.clock)
        self.manager = FakeManager(self.instrument)
        self.transcript = Lines()
        self.resource = resource

    def link(self, **settings: Any) -> ScpiLink:
        return ScpiLink(
            self.manager,
            self.resource,
            name="analyser",
            clock=self.clock,
            transcript=self.transcript,
            settings=LinkSettings(**settings),
        )

    def open(self, driver: str, lab: Lab | None = None) -> Any:
        return open_instrument(
            load_dialect(driver, lab or Lab(None)),
            name="analyser",
            clock=self.clock,
            resource_manager=self.manager,
            resource=self.resource,
            transcript=self.transcript,
        )


def block(data: bytes, end: bytes = b"\n") -> bytes:
    """IEEE 488.2, clause 8.7.9 (from memory): '#', digits of the count, the count, the data."""
    count = str(len(data)).encode()
    return b"#" + str(len(count)).encode() + count + data + end
