"""Ways to a line console: a VISA resource, or a child process with its standard input and output."""

from __future__ import annotations

import contextlib
import queue
import subprocess
import sys
import threading
from abc import ABC, abstractmethod
from collections.abc import Sequence
from functools import partial
from typing import Any

from hilkit.clock import Clock, Deadline
from hilkit.errors import HilkitError, LinkError
from hilkit.instruments.resource import check_resource, is_serial, is_socket
from hilkit.instruments.visa import (
    SIGHT_S,
    ResourceManager,
    Session,
    explain,
    in_sight,
    is_timeout,
    open_session,
    set_timeout,
    translated,
)
from hilkit.instruments.wire import LinkSettings

__all__ = ["LineTransport", "ProcessLines", "VisaLines"]

_REOPEN_TRIES = 10
_REOPEN_PAUSE_S = 1.0


class LineTransport(ABC):
    """Carries lines of text both ways.

    ``address`` is what a message calls it; ``restoring`` is true while the link is being opened again.
    With a ``hurry`` a lost link is opened once more only, within its time.
    """

    address: str
    restoring = False
    hurry: Deadline | None = None

    @abstractmethod
    def send(self, text: str) -> None:
        """Send one line; LinkError if the link is gone."""

    @abstractmethod
    def receive(self, timeout_s: float) -> str | None:
        """Return the next line without its terminator, None if none comes in time; LinkError if the link is
        gone.
        """

    @abstractmethod
    def recover(self) -> None:
        """Throw away what is under way and make the link usable again; LinkError if that cannot be done."""

    @abstractmethod
    def close(self) -> None:
        """Give the link back."""


class VisaLines(LineTransport):
    """Lines over a VISA resource: a raw socket, a serial line, or whatever marks the end of a message."""

    def __init__(
        self,
        manager: ResourceManager,
        resource: str,
        *,
        name: str,
        clock: Clock,
        settings: LinkSettings,
    ) -> None:
        self.address = check_resource(resource)
        self._manager, self._name, self._clock = manager, name, clock
        self._settings = settings
        self._session: Session | None = None
        self._timeout_s = 0.0
        self._partial = b""
        self._open()

    def send(self, text: str) -> None:
        """Send one line."""
        session = self._live()
        self._clock.blocking(0.0)
        try:
            with translated(self._name, f"send {text!r} to {self.address}"):
                session.write_raw((text + self._settings.write_termination).encode("utf-8"))
        except LinkError:
            self.close()
            raise

    def receive(self, timeout_s: float) -> str | None:
        """Return the next line, None if none comes in time, however many pieces of one do."""
        session = self._live()
        deadline = self._clock.deadline(timeout_s)
        waited_s = timeout_s
        try:
            while True:
                piece = in_sight(
                    session.read_raw,
                    waited_s,
                    resource=self.address,
                    clock=self._clock,
                    limit=partial(self._limit, session),
                )
                if not piece:
                    return None
                self._partial += piece
                if (
                    self._partial.endswith(self._settings.read_termination[-1:].encode("ascii"))
                    or not self._framed
                ):
                    break
                if deadline.passed:
                    return None
                waited_s = deadline.left
        except HilkitError:
            raise
        except Exception as error:
            if is_timeout(error):
                return None
            self.close()
            raise explain(error, name=self._name, doing=f"read from the console at {self.address}") from error
        line, self._partial = self._partial, b""
        return line.decode("utf-8", "replace").rstrip("\r\n")

    def _limit(self, session: Session, seconds: float) -> None:
        if seconds != self._timeout_s:
            set_timeout(session, seconds)
            self._timeout_s = seconds

    def recover(self) -> None:
        """Close and reopen a socket, clear any other resource."""
        self._partial = b""
        if is_socket(self.address) or self._session is None:
            self.close()
            self._reopen()
            return
        with contextlib.suppress(Exception):
            self._session.clear()

    def _reopen(self) -> None:
        # A radio may hold on to its one control connection for some seconds after the other end has gone.
        self.restoring = True
        try:
            for left in reversed(range(1 if self.hurry else _REOPEN_TRIES)):
                try:
                    self._open()
                    return
                except LinkError:
                    if not left:
                        raise
                    self._clock.sleep(_REOPEN_PAUSE_S)
        finally:
            self.restoring = False

    def close(self) -> None:
        """Close the session."""
        session, self._session = self._session, None
        if session is not None:
            with contextlib.suppress(Exception):
                session.close()

    def _open(self) -> None:
        self._framed = is_socket(self.address) or is_serial(self.address)
        settings = self._settings
        self._session = open_session(
            self._manager,
            self.address,
            name=self._name,
            clock=self._clock,
            timeout_s=settings.timeout_s,
            terminator=settings.read_termination,
            serial=settings.serial,
            longest_s=self.hurry.left if self.hurry else None,
        )
        self._timeout_s = settings.timeout_s
        self._partial = b""

    def _live(self) -> Session:
        if self._session is None:
            self._reopen()
        assert self._session is not None
        return self._session


class ProcessLines(LineTransport):
    """Lines to and from a child process, started from an argument list without a shell.

    A thread reads its output into a queue, so that a wait has an end on every system. The child gets a
    process group of its own: a Ctrl-C at the terminal must not take away the line over which RF is switched
    off.
    """

    def __init__(
        self, command: Sequence[str], *, name: str, clock: Clock | None = None, kill_after_s: float = 2.0
    ) -> None:
        if isinstance(command, str) or not command:
            raise ValueError("a command is a list: the program and its arguments")
        self.address = " ".join(command)
        self._command, self._name, self._clock = list(command), name, clock
        self._kill_after_s = kill_after_s
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._over = False
        self._process = self._start()

    def _start(self) -> subprocess.Popen[bytes]:
        own_group: dict[str, Any] = {"start_new_session": True}
        if sys.platform == "win32":
            own_group = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
        try:
            process = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                **own_group,
            )
        except OSError as error:
            raise LinkError(
                f"cannot start {self.address!r}: {error.strerror or error}",
                instrument=self._name,
                next_step="check the program's name and path in command: of the bench file",
            ) from error
        self._lines, self._over = queue.Queue(), False
        self._reader = threading.Thread(target=self._read, args=(process, self._lines), daemon=True)
        self._reader.start()
        return process

    @staticmethod
    def _read(process: subprocess.Popen[bytes], lines: queue.Queue[str | None]) -> None:
        assert process.stdout is not None
        with contextlib.suppress(ValueError, OSError):
            for line in process.stdout:
                lines.put(line.decode("utf-8", "replace").rstrip("\r\n"))
        lines.put(None)

    def send(self, text: str) -> None:
        """Send one line."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write((text + "\n").encode("utf-8"))
            self._process.stdin.flush()
        except (OSError, ValueError) as error:
            raise self._gone() from error

    def receive(self, timeout_s: float) -> str | None:
        """Return the next line, None if none comes in time."""
        if self._over:
            raise self._gone()
        try:
            line = self._next(timeout_s)
        except queue.Empty:
            return None
        if line is None:
            self._over = True
            raise self._gone()
        return line

    def _next(self, timeout_s: float) -> str | None:
        if self._clock is None or not self._clock.minded:
            return self._lines.get(timeout=timeout_s)
        deadline = self._clock.deadline(timeout_s)
        while True:
            slice_s = min(SIGHT_S, deadline.left)
            self._clock.blocking(slice_s)
            try:
                return self._lines.get(timeout=slice_s)
            except queue.Empty:
                if deadline.passed:
                    raise

    def recover(self) -> None:
        """Start the process again if it has ended; else throw away what it has said so far."""
        self._drain()
        if self._over or self._process.poll() is not None:
            self.close()
            self._process = self._start()

    def _drain(self) -> None:
        with contextlib.suppress(queue.Empty):
            while not self._over:
                self._over = self._lines.get_nowait() is None

    def close(self) -> None:
        """End the process: its input is closed, and it is killed if it goes on for ``kill_after_s`` more."""
        process = self._process
        with contextlib.suppress(OSError, ValueError):
            if process.stdin is not None:
                process.stdin.close()
        try:
            process.wait(self._kill_after_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        self._reader.join(self._kill_after_s)
        if process.stdout is not None and not self._reader.is_alive():
            process.stdout.close()

    def _gone(self) -> LinkError:
        code = self._process.poll()
        ended = f"ended with code {code}" if code is not None else "closed its output"
        return LinkError(
            f"the process {self.address!r} {ended}",
            instrument=self._name,
            next_step="run it by hand to see what it says",
        )
