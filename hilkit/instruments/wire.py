"""The bytes of a link: an open session, lines, counted portions, and what brings it back after a fault.

A raw socket or a serial line ("framed" here) marks the end of a line by a character only; the other
interfaces carry END beside the data, and have a device clear and a status byte out of band.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, TypeVar

from hilkit.errors import LinkError
from hilkit.instruments.resource import check_resource, is_serial, is_socket
from hilkit.instruments.transcript import NOTE, RECEIVED, SENT, Transcript, quoted
from hilkit.instruments.visa import (
    Pace,
    ResourceManager,
    SerialSettings,
    Session,
    answer_waits,
    block_reading,
    in_sight,
    open_session,
    read_line,
    set_timeout,
    translated,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hilkit.clock import Clock, Deadline

__all__ = ["Completion", "LinkSettings", "Wire"]

T = TypeVar("T")

Completion = Literal["esr", "opc_query", "operation_condition", "elapsed"]

_REOPEN_TRIES = 5
_REOPEN_PAUSE_S = 1.0


@dataclass(frozen=True, kw_only=True)
class LinkSettings:
    """How an instrument wants to be spoken to; the defaults are those of SCPI-99 over a socket.

    ``timeout_s`` is for an answer that needs no measurement; ``margin_s`` is what a wait is allowed on top of
    the expected time.
    """

    write_termination: str = "\n"
    read_termination: str = "\n"
    completion: Completion = "esr"
    error_query: str = ":SYSTem:ERRor:NEXT?"
    operation_query: str = ":STATus:OPERation:CONDition?"
    timeout_s: float = 3.0
    margin_s: float = 5.0
    serial: SerialSettings = field(default_factory=SerialSettings)


class Wire:
    """One session with an instrument, opened again by itself after it was dropped."""

    def __init__(
        self,
        manager: ResourceManager,
        resource: str,
        *,
        name: str,
        clock: Clock,
        transcript: Transcript,
        settings: LinkSettings,
    ) -> None:
        self.resource = check_resource(resource)
        self.name = name
        self.framed = is_socket(self.resource) or is_serial(self.resource)
        self._manager = manager
        self._clock = clock
        self._transcript = transcript
        self._settings = settings
        self._write_end = settings.write_termination
        self._read_end = settings.read_termination[-1:].encode("ascii")
        self._session: Session | None = None
        self._timeout_s = 0.0
        self._patience_s = 0.0
        self._loose_end = False
        self._pace = Pace(clock, 0.0)
        self._came = 0
        self.restoring = False
        self.hurry: Deadline | None = None
        self._open()

    # --- lines

    def send(self, text: str) -> None:
        """Send one line."""
        session = self._live()
        self._clock.blocking(0.0)
        self._transcript.line(self.name, SENT, text)
        try:
            with translated(self.name, f"send {quoted(text)} to {self.resource}"):
                session.write_raw((text + self._write_end).encode("latin-1"))
        except LinkError:
            self.drop()
            raise

    def line(self, timeout_s: float) -> str:
        """Receive one line without its terminator; PyVISA's exception if none comes in time."""
        self.set_timeout(timeout_s)
        end = self._read_end if self.framed else b""
        while True:
            pace = Pace(self._clock, timeout_s)
            line = read_line(lambda: self._read(lambda session: session.read_raw()), end, pace)
            text = line.decode("latin-1").rstrip("\r\n")
            # After a block the terminator may or may not have been sent: an empty line is that of the block.
            if text or not self._loose_end:
                break
        self._loose_end = False
        self._transcript.line(self.name, RECEIVED, text)
        return text

    @property
    def answer_waits(self) -> bool:
        """True when something has come on a raw socket that was not asked for."""
        return self._session is not None and not self._loose_end and answer_waits(self._session)

    # --- blocks

    @contextlib.contextmanager
    def block(self, timeout_s: float) -> Iterator[None]:
        """Read a block inside: termination character off."""
        self.set_timeout(timeout_s)
        self._pace, self._came = Pace(self._clock, timeout_s), 0
        with block_reading(self._live(), self.resource):
            yield

    def portion(self, count: int) -> bytes:
        """Receive up to ``count`` bytes, at least one."""
        data = bytes(
            self._read(lambda session: session.read_bytes(count, chunk_size=count, break_on_termchar=True))
        )
        if not data:
            raise TimeoutError("nothing came")
        self._came += len(data)
        self._pace.check(self._came)
        return data

    def first_of_block(self) -> bytes:
        """Receive one byte, past the terminator that an earlier block may have left."""
        first = self.portion(1)
        while self._loose_end and first in b"\r\n":
            first = self.portion(1)
        self._loose_end = True
        return first

    def message(self, expected_bytes: int) -> bytes:
        """Receive a whole message up to END."""
        return bytes(self._read(lambda session: session.read_raw(max(expected_bytes + 32, 4096))))

    def _read(self, read: Callable[[Session], T]) -> T:
        session = self._live()
        return in_sight(
            lambda: read(session),
            self._patience_s,
            resource=self.resource,
            clock=self._clock,
            limit=self._limit,
        )

    # --- the session

    @property
    def timeout_s(self) -> float:
        """How long a read may take."""
        return self._patience_s

    def set_timeout(self, seconds: float) -> None:
        """Set how long a read may take."""
        self._patience_s = seconds

    def _limit(self, seconds: float) -> None:
        session = self._live()
        if seconds != self._timeout_s:
            set_timeout(session, seconds)
            self._timeout_s = seconds

    def restore(self) -> str:
        """Make the wire usable after a timeout: reopen a socket, clear any other device.

        Returns the status byte in words, where a serial poll gives one.
        """
        self._loose_end = False
        if is_socket(self.resource) or self._session is None:
            self.drop()
            self._reopen()
            return ""
        session = self._session
        status = ""
        with contextlib.suppress(Exception):
            status = f"status byte {session.read_stb()}"
        with translated(self.name, "clear the device"):
            session.clear()
        self._transcript.line(self.name, NOTE, "device clear")
        return status

    def drop(self) -> None:
        """Close the session."""
        session, self._session = self._session, None
        if session is not None:
            with contextlib.suppress(Exception):
                session.close()

    def _live(self) -> Session:
        if self._session is None:
            self._reopen()
        assert self._session is not None
        return self._session

    def _reopen(self) -> None:
        # An instrument with one connection may hold on to the old one for some seconds.
        self.restoring = True
        try:
            for left in reversed(range(1 if self.hurry else _REOPEN_TRIES)):
                try:
                    self._open()
                except LinkError:
                    if not left:
                        raise
                    self._clock.sleep(_REOPEN_PAUSE_S)
                else:
                    self._transcript.line(self.name, NOTE, "link closed and opened again")
                    return
        finally:
            self.restoring = False

    def _open(self) -> None:
        settings = self._settings
        self._session = open_session(
            self._manager,
            self.resource,
            name=self.name,
            clock=self._clock,
            timeout_s=settings.timeout_s,
            terminator=settings.read_termination,
            serial=settings.serial,
            longest_s=self.hurry.left if self.hurry else None,
        )
        self._timeout_s = settings.timeout_s
        self._loose_end = False
