"""In-process VISA: a library for PyVISA whose resources are the instruments of one simulated bench.

It stands on PyVISA-sim's library class and sessions (resource names, attributes) and has its own open, read,
write, clear and status byte, so that a trace is one copy instead of a loop over bytes, and a read that finds
nothing costs simulated seconds. Statuses follow VPP-4.3, rules 6.1.1 to 6.1.7.
"""

from __future__ import annotations

import itertools
import time
from typing import Any, ClassVar, NoReturn

import pyvisa
from pyvisa import constants, rname
from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa_sim.highlevel import SimVisaLibrary
from pyvisa_sim.sessions.session import Session

from hilkit.clock import SLICE_S, Clock, VirtualClock
from hilkit.sim.bench import SimulatedBench, canonical_resource
from hilkit.sim.device import Device

__all__ = ["SimulatedLibrary", "resource_manager"]

LONGEST_WAIT_S = 120.0
"""What an infinite timeout comes to; VISA libraries give up on sockets after about this time."""

_numbers = itertools.count(1)


class SimulatedLibrary(SimVisaLibrary):  # type: ignore[misc]
    """The VISA library of one bench. PyVISA keeps libraries by path, so every bench has one of its own."""

    _benches: ClassVar[dict[str, SimulatedBench]] = {}

    bench: SimulatedBench
    sessions: dict[int, Any]

    @classmethod
    def of(cls, bench: SimulatedBench) -> SimulatedLibrary:
        """Return a new library for ``bench``."""
        path = f"hilkit-simulated-bench-{next(_numbers)}"
        cls._benches[path] = bench
        library: SimulatedLibrary = cls(path)
        return library

    def _init(self) -> None:
        self.sessions = {}
        self.bench = self._benches.pop(str(self.library_path))

    def list_resources(self, session: int, query: str = "?*::INSTR") -> tuple[str, ...]:
        """Return the resource names that match a VISA expression."""
        found: tuple[str, ...] = tuple(rname.filter(self.bench.resources, query))
        return found

    def open(
        self,
        session: int,
        resource_name: str,
        access_mode: constants.AccessModes = constants.AccessModes.no_lock,
        open_timeout: Any = constants.VI_TMO_IMMEDIATE,
    ) -> tuple[int, StatusCode]:
        """Open a connection to an instrument of the bench."""
        try:
            name = canonical_resource(resource_name)
        except ValueError:
            self._fail(None, StatusCode.error_invalid_resource_name)
        instrument = self.bench.at(name)
        if instrument is None:
            self._fail(None, StatusCode.error_resource_not_found)
        if instrument.refuses:
            self._fail(None, StatusCode.error_resource_busy)
        opened = _session(session, name)
        opened.device = instrument.connect(stream=_is_stream(opened))
        number: int = self._register(opened)
        return number, self._done(number, StatusCode.success)

    def close(self, session: int) -> StatusCode:
        """Close a connection, or the resource manager and with it the library."""
        closed = self.sessions.pop(session, None)
        if closed is None:
            return StatusCode.error_invalid_object
        if closed is self:
            self._registry.pop((type(self), self.library_path), None)
        else:
            closed.device.close()
        return StatusCode.success

    def write(self, session: int, data: bytes) -> tuple[int, StatusCode]:
        """Hand ``data`` to the instrument."""
        device = self._device(session)
        device.receive(bytes(data))
        status = StatusCode.error_connection_lost if device.lost else StatusCode.success
        return len(data), self._done(session, status)

    def read(self, session: int, count: int) -> tuple[bytes, StatusCode]:
        """Read until END, the termination character or ``count``; waiting costs time of the bench's clock."""
        device = self._device(session)
        opened = self.sessions[session]
        until = _termination(opened)
        ends = not opened.attrs.get(ResourceAttribute.suppress_end_enabled, False)
        deadline = self.bench.clock.now() + _timeout_s(opened)
        taken = b""
        while True:
            if device.pending:
                taken += device.take(count - len(taken), until=until)
                status = _end_of_read(taken, count, until, ended=ends and device.at_end)
                if status is not None:
                    return taken, self._done(session, status)
                continue
            if device.lost:
                self._fail(session, StatusCode.error_connection_lost)
            if not taken:
                device.talk()
            if not _wait(self.bench.clock, device, deadline):
                if taken and ends and _is_stream(opened):  # as a socket of PyVISA-py hands over what has come
                    return taken, self._done(session, StatusCode.success)
                self._fail(session, StatusCode.error_timeout)

    def write_to_disk(self) -> None:
        """Be the disk that the record of a run goes to: raises OSError while a fault keeps it full."""
        self.bench.write_to_disk()

    def answer_waits(self, session: int) -> bool:
        """Return whether bytes have come that nobody has read."""
        return bool(self._device(session).pending)

    def clear(self, session: int) -> StatusCode:
        """Device clear; on a raw socket only what has arrived is dropped."""
        self._device(session).clear()
        return self._done(session, StatusCode.success)

    def read_stb(self, session: int) -> tuple[int, StatusCode]:
        """Serial poll; a raw socket has none."""
        device = self._device(session)
        if _is_stream(self.sessions[session]):
            self._fail(session, StatusCode.error_nonsupported_operation)
        return device.status_byte(), self._done(session, StatusCode.success)

    def _done(self, session: int, status: StatusCode) -> StatusCode:
        """Note the status of a session, as PyVISA's own libraries do; raises VisaIOError for an error."""
        noted: StatusCode = self.handle_return_value(session, status)
        return noted

    def _fail(self, session: int | None, status: StatusCode) -> NoReturn:
        self.handle_return_value(session, status)
        raise AssertionError(f"{status!r} is not an error")

    def _device(self, session: int) -> Device:
        found = self.sessions.get(session)
        if found is None or found is self:
            self._fail(None, StatusCode.error_invalid_object)
        device: Device = found.device
        return device


def _session(manager: int, name: str) -> Any:
    """Return a PyVISA-sim session, which keeps the attributes of the resource."""
    parsed: Any = rname.ResourceName.from_string(name)
    if parsed.interface_type_const == constants.InterfaceType.asrl and not parsed.board.isdigit():
        # PyVISA-sim takes the board for a number; a port with a path such as /dev/ttyUSB0 has none
        parsed.board = "0"
    make = Session.get_session_class(parsed.interface_type_const, parsed.resource_class)
    opened = make(manager, name, parsed)
    if _is_stream(opened):
        opened.attrs[ResourceAttribute.suppress_end_enabled] = True  # a stream has no END to look at
    opened.attrs[ResourceAttribute.resource_name] = name
    return opened


def _is_stream(opened: Any) -> bool:
    serial = opened.parsed.interface_type_const == constants.InterfaceType.asrl
    return bool(serial or opened.parsed.resource_class == "SOCKET")


def _termination(opened: Any) -> bytes:
    """Return the termination character, empty while it is disabled."""
    enabled, _ = opened.get_attribute(ResourceAttribute.termchar_enabled)
    character, _ = opened.get_attribute(ResourceAttribute.termchar)
    return bytes([character]) if enabled else b""


def _timeout_s(opened: Any) -> float:
    timeout_ms, _ = opened.get_attribute(ResourceAttribute.timeout_value)
    if timeout_ms in (None, constants.VI_TMO_INFINITE):
        return LONGEST_WAIT_S
    return float(timeout_ms) / 1000


def _end_of_read(taken: bytes, count: int, until: bytes, *, ended: bool) -> StatusCode | None:
    """Return why a read is over, None while it is not (VPP-4.3 rules 6.1.1 to 6.1.3, in this order)."""
    if ended:
        return StatusCode.success
    if until and taken.endswith(until):
        return StatusCode.success_termination_character_read
    if len(taken) >= count:
        return StatusCode.success_max_count_read
    return None


def _wait(clock: Clock, device: Device, deadline: float) -> bool:
    """Let time pass until output may have appeared; False when the deadline is reached without any.

    A client is blocked meanwhile, as in any VISA library: the clock's watchers are not looked at.
    """
    now = clock.now()
    if now >= deadline:
        return False
    wake = device.wake_at()
    # without an announced time a console may still speak up: look again and again
    until = min(deadline, now + SLICE_S if wake is None else max(wake, now))
    if isinstance(clock, VirtualClock):
        clock.advance_to(until)
    else:
        time.sleep(min(until - now, SLICE_S))
    return True


def resource_manager(bench: SimulatedBench) -> pyvisa.ResourceManager:
    """Return an ordinary PyVISA resource manager whose resources are the instruments of ``bench``."""
    return pyvisa.ResourceManager(SimulatedLibrary.of(bench))
