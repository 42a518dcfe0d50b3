"""The seam to PyVISA: opening a session, and its exceptions turned into hilkit's errors.

PyVISA is imported inside the functions, because it costs 0.2 s at start.
"""

from __future__ import annotations

import contextlib
import select
import socket
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, Protocol, TypeVar

from hilkit.errors import HilkitError, LinkError
from hilkit.instruments.resource import is_serial, is_socket

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hilkit.clock import Clock

__all__ = [
    "SIGHT_S",
    "SLOWEST_BYTES_PER_S",
    "Pace",
    "ResourceManager",
    "SerialSettings",
    "Session",
    "answer_waits",
    "block_reading",
    "explain",
    "in_sight",
    "is_timeout",
    "library_of",
    "open_session",
    "read_line",
    "set_timeout",
    "translated",
    "visa_manager",
]

T = TypeVar("T")

_OPEN_TIMEOUT_S = 5.0
_OPEN_TIMEOUT_IN_SIGHT_S = 1.0

SIGHT_S = 0.25
"""Longest wait in seconds for a raw socket or a process at a stretch, while somebody minds the clock."""

_LONGEST_LINE = 1 << 24

SLOWEST_BYTES_PER_S = 20.0
"""An answer whose bytes come more slowly than this beyond its timeout counts as not coming at all."""


@dataclass(frozen=True, kw_only=True)
class SerialSettings:
    """A serial line of eight data bits, no parity, one stop bit."""

    baud: int = 9600
    flow: Literal["none", "rts_cts", "xon_xoff"] = "none"


class Session(Protocol):
    """What the links use of a PyVISA message-based resource."""

    timeout: Any

    def write_raw(self, message: bytes) -> int:
        """Send bytes."""

    def read_raw(self, size: int | None = None) -> bytes:
        """Receive one message: up to END or the termination character."""

    def read_bytes(self, count: int, chunk_size: int | None = None, break_on_termchar: bool = False) -> bytes:
        """Receive up to ``count`` bytes."""

    def set_visa_attribute(self, name: Any, state: Any) -> Any:
        """Set a VISA attribute."""

    def clear(self) -> None:
        """Device clear."""

    def read_stb(self) -> int:
        """Serial poll."""

    def close(self) -> None:
        """Close the session."""


class ResourceManager(Protocol):
    """What the links use of ``pyvisa.ResourceManager``."""

    def open_resource(self, resource_name: str, **kwargs: Any) -> Any:
        """Open a session."""


def visa_manager(library: str) -> Any:
    """Return a VISA resource manager; ``LinkError`` if the library cannot be used."""
    import pyvisa

    try:
        return pyvisa.ResourceManager(library)
    except (OSError, ValueError, pyvisa.Error) as error:
        raise LinkError(
            f"the VISA library {library!r} cannot be used: {error}",
            next_step="name another one with --visa; @py needs nothing besides hilkit",
        ) from error


def library_of(manager: Any) -> str:
    """Return the name under which another process opens the VISA library of a resource manager."""
    library = manager.visalib
    if type(library).__module__.partition(".")[0] == "pyvisa_py":
        return "@py"
    return str(library.library_path)


def open_session(
    manager: ResourceManager,
    resource: str,
    *,
    name: str,
    clock: Clock,
    timeout_s: float,
    terminator: str,
    serial: SerialSettings | None = None,
    longest_s: float | None = None,
) -> Session:
    """Open ``resource``; a LinkError says why it cannot be opened.

    Sockets and serial lines get the last character of ``terminator`` as termination character; the other
    interfaces mark the end of a message themselves. Sockets are told to hand over what has arrived (so that a
    cut-off block can be counted) and to send small messages at once.
    """
    # An address where nobody is takes all of it, and whoever minds the clock has less patience than that.
    opening_s = _OPEN_TIMEOUT_IN_SIGHT_S if clock.minded else _OPEN_TIMEOUT_S
    if longest_s is not None:
        opening_s = min(opening_s, longest_s)
    clock.blocking(opening_s)
    try:
        session: Session = manager.open_resource(
            resource, open_timeout=_milliseconds(opening_s), timeout=_milliseconds(timeout_s)
        )
    except HilkitError:
        raise
    except Exception as error:
        raise explain(error, name=name, doing=f"open {resource}") from error
    with translated(name, f"set up {resource}"):
        _adapt(session, resource, terminator)
        if is_serial(resource):
            _set_serial(session, serial or SerialSettings())
    return session


def _set_serial(session: Session, serial: SerialSettings) -> None:
    from pyvisa.constants import ControlFlow, ResourceAttribute

    session.set_visa_attribute(ResourceAttribute.asrl_baud_rate, serial.baud)
    session.set_visa_attribute(ResourceAttribute.asrl_flow_control, int(ControlFlow[serial.flow]))


def _adapt(session: Session, resource: str, terminator: str) -> None:
    from pyvisa.constants import ResourceAttribute

    if not (is_socket(resource) or is_serial(resource)):
        return
    session.set_visa_attribute(ResourceAttribute.termchar, ord(terminator[-1]))
    session.set_visa_attribute(ResourceAttribute.termchar_enabled, True)
    if is_socket(resource):
        with contextlib.suppress(Exception):
            session.set_visa_attribute(ResourceAttribute.suppress_end_enabled, False)
        _send_at_once(session)


def _send_at_once(session: Any) -> None:
    """Switch off the delay of small TCP segments: a set followed by an ask would stall for some 40 ms.

    PyVISA-py 0.8 offers the attribute but cannot set it, so its socket is told directly.
    """
    from pyvisa.constants import ResourceAttribute

    try:
        session.set_visa_attribute(ResourceAttribute.tcpip_nodelay, True)
    except Exception:
        inner = getattr(getattr(session, "visalib", None), "sessions", {}).get(
            getattr(session, "session", None)
        )
        wire = getattr(inner, "interface", None)
        if isinstance(wire, socket.socket):
            with contextlib.suppress(OSError):
                wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


@contextlib.contextmanager
def block_reading(session: Session, resource: str) -> Iterator[None]:
    """Read a block: no termination character where one is in use, since data may hold its code."""
    from pyvisa.constants import ResourceAttribute, SerialTermination

    if is_socket(resource):
        attribute, during, after = ResourceAttribute.termchar_enabled, 0, 1
    elif is_serial(resource):
        attribute = ResourceAttribute.asrl_end_in
        during, after = int(SerialTermination.none), int(SerialTermination.termination_char)
    else:
        yield
        return
    session.set_visa_attribute(attribute, during)
    try:
        yield
    finally:
        with contextlib.suppress(Exception):
            session.set_visa_attribute(attribute, after)


def in_sight(
    read: Callable[[], T], seconds: float, *, resource: str, clock: Clock, limit: Callable[[float], None]
) -> T:
    """Return what ``read`` does, within ``seconds``, and let those who mind the clock know of each wait.

    ``limit`` sets the timeout of the session. While somebody minds, a raw socket is read in slices: what has
    come by the end of one stays in the buffer for the next. Other interfaces may lose it, so their wait is
    told in one piece.
    """
    if not clock.minded or not is_socket(resource):
        limit(seconds)
        clock.blocking(seconds)
        return read()
    deadline = clock.deadline(seconds)
    while True:
        slice_s = max(min(SIGHT_S, deadline.left), 1e-3)
        limit(slice_s)
        clock.blocking(slice_s)
        try:
            return read()
        except Exception as error:
            if deadline.passed or not is_timeout(error):
                raise


def answer_waits(session: Any) -> bool:
    """Return whether bytes have come that nobody has read; False where the VISA library cannot tell.

    VISA has no such question for sockets: PyVISA-py's is looked into, the simulated bench's answers it.
    """
    library, number = getattr(session, "visalib", None), getattr(session, "session", None)
    asked = getattr(library, "answer_waits", None)
    if asked is not None:
        return bool(asked(number))
    inner = getattr(library, "sessions", {}).get(number)
    wire = getattr(inner, "interface", None)
    if not isinstance(wire, socket.socket):
        return False
    try:
        return bool(getattr(inner, "_pending_buffer", b"")) or bool(select.select([wire], [], [], 0)[0])
    except (OSError, ValueError):
        return False


def read_line(read: Callable[[], bytes], end: bytes, pace: Pace) -> bytes:
    """Receive by ``read`` until ``end`` (without ``end``: one message) and return it.

    A VISA library may hand over a line in pieces, or nothing at all; a line without end is a timeout, too,
    and so is one that comes too slowly.
    """
    line = bytearray()
    while True:
        piece = read()
        line += piece
        if not end or line.endswith(end):
            return bytes(line)
        pace.check(len(line))
        if not piece or len(line) > _LONGEST_LINE:
            raise TimeoutError(f"no end of line in {len(line)} bytes")


class Pace:
    """How fast an answer has to come: within ``timeout_s``, and longer only while its bytes keep coming."""

    def __init__(self, clock: Clock, timeout_s: float) -> None:
        self._clock = clock
        self._start_s = clock.now()
        self._timeout_s = timeout_s

    def check(self, count: int) -> None:
        """Raise TimeoutError where only ``count`` bytes have come so far."""
        elapsed_s = self._clock.now() - self._start_s
        if elapsed_s >= self._timeout_s and count < SLOWEST_BYTES_PER_S * elapsed_s:
            raise TimeoutError(f"only {count} bytes came in {elapsed_s:.1f} s")


def _milliseconds(seconds: float) -> int:
    return max(1, round(seconds * 1000))


def set_timeout(session: Session, seconds: float) -> None:
    """Set the session's timeout, always finite."""
    session.timeout = _milliseconds(seconds)


def is_timeout(error: BaseException) -> bool:
    """True when a VISA call ended because nothing came in time."""
    from pyvisa.constants import StatusCode

    return getattr(error, "error_code", None) == StatusCode.error_timeout or isinstance(error, TimeoutError)


@contextlib.contextmanager
def translated(name: str, doing: str) -> Iterator[None]:
    """Turn what PyVISA and the operating system raise into a LinkError; an interrupt passes as it is."""
    try:
        yield
    except HilkitError:
        raise
    except Exception as error:
        raise explain(error, name=name, doing=doing) from error


_BY_CODE = {
    "error_resource_not_found": (
        "no such instrument was found",
        "check power, cable, address and the resource text",
    ),
    "error_resource_busy": ("another program holds it", "close the other program or session, then try again"),
    "error_resource_locked": (
        "another program has locked it",
        "close the other program or session, then try again",
    ),
    "error_connection_lost": ("the connection was lost", "check that it is still on and its cable is in"),
    "error_invalid_resource_name": (
        "the resource text is not understood",
        "see 'hilkit manual bench_file' for examples",
    ),
    "error_timeout": (
        "it did not answer in time",
        "check power, cable, address; another client may hold the only link",
    ),
    "error_library_not_found": ("no VISA library for this interface", "install the driver of the interface"),
}
_BY_TYPE: tuple[tuple[type[BaseException], str, str], ...] = (
    (
        ConnectionRefusedError,
        "the connection was refused",
        "check the port and that the instrument allows remote control",
    ),
    (ConnectionError, "the connection was lost", "check that it is still on and its cable is in"),
    (TimeoutError, "it did not answer in time", "check power, cable and address"),
    (
        ValueError,
        "the resource text or the library is not usable",
        "check the resource text in the bench file",
    ),
    (OSError, "the operating system reports a fault", "check cable, address and permissions"),
)


def explain(error: BaseException, *, name: str, doing: str) -> LinkError:
    """Return the LinkError for a foreign exception, in plain words."""
    code = getattr(getattr(error, "error_code", None), "name", "")
    if code in _BY_CODE:
        what, next_step = _BY_CODE[code]
    else:
        what, next_step = next(
            ((what, step) for kind, what, step in _BY_TYPE if isinstance(error, kind)),
            ("it failed", "check power, cable, address and the resource text"),
        )
    detail = " ".join(str(error).split())
    if isinstance(error, ValueError) and "install" in detail.lower():
        what = "there is no support for this interface"
        next_step = (
            "install what is named here, or the VISA library of the interface's maker and name it with --visa"
        )
    return LinkError(
        f"cannot {doing}: {what} ({detail or type(error).__name__})", instrument=name, next_step=next_step
    )
