"""VISA resource strings: the check that says what to write instead.

The grammar is that of VPP-4.3 as PyVISA documents it (documentation page "VISA resource names"). PyVISA
itself takes ``TCPIP::host::5025`` for a VXI-11 device called "5025" and refuses others with few words, so
they are looked at here.
"""

from __future__ import annotations

import ipaddress
import re

from hilkit.errors import UsageError

__all__ = ["ResourceProblem", "check_resource", "is_serial", "is_socket"]

_CLASSES = ("INSTR", "SOCKET", "RAW", "INTFC")
_INTERFACE = re.compile(r"(TCPIP|USB|GPIB|ASRL)(.*)", re.IGNORECASE)
_EXAMPLES = (
    "TCPIP::192.168.1.20::5025::SOCKET, TCPIP::192.168.1.20::hislip0::INSTR, GPIB0::18::INSTR, ASRL3::INSTR"
)
_HIGHEST_PORT = 65535


class ResourceProblem(UsageError, ValueError):
    """A resource string that cannot work or does not mean what it seems to; the text says what to write.

    A ``ValueError`` too, so that a file model can use the check as a validator.
    """

    def __init__(self, seen: str, problem: str, write: str) -> None:
        super().__init__(f"resource {seen!r}: {problem}; write {write}")
        self.seen = seen
        self.problem = problem
        self.write = write


def check_resource(text: str) -> str:
    """Return the canonical resource string, or raise :class:`ResourceProblem` with what to write."""
    if not text.strip():
        raise ResourceProblem(text, "it is empty", f"one such as {_EXAMPLES}")
    if re.search(r"\s", text):
        raise ResourceProblem(text, "it has spaces in it", repr(re.sub(r"\s+", "", text)))
    if "[" in text or "]" in text:
        raise ResourceProblem(text, "an IPv6 address in brackets is not understood", "the host name instead")
    fields = text.split("::")
    if "" in fields:
        raise ResourceProblem(text, "a field between two '::' is empty", f"one such as {_EXAMPLES}")
    match = _INTERFACE.fullmatch(fields[0])
    if match is None:
        raise ResourceProblem(text, "this is no VISA resource name", _meant(text))
    interface, board = match[1].upper(), match[2]
    if len(fields) > 1 and fields[-1].upper() in _CLASSES and fields[-1] not in _CLASSES:
        raise ResourceProblem(
            text,
            f"the class {fields[-1]!r} is refused in lower case",
            "::".join([*fields[:-1], fields[-1].upper()]),
        )
    return _CHECKS[interface](text, interface, board, fields[1:])


def _meant(text: str) -> str:
    """Return what somebody means who writes an address in another form."""
    if address := re.fullmatch(r"(?:\w+://)?([A-Za-z0-9._-]+):(\d+)", text):
        return f"TCPIP::{address[1]}::{address[2]}::SOCKET"
    if port := re.fullmatch(r"COM(\d+)", text, re.IGNORECASE):
        return f"ASRL{port[1]}::INSTR"
    if text.startswith("/dev/"):
        return f"ASRL{text}::INSTR"
    return f"one such as {_EXAMPLES}"


def is_socket(resource: str) -> bool:
    """True for a raw socket: no device clear, no END, a terminator instead."""
    return resource.upper().endswith("::SOCKET")


def is_serial(resource: str) -> bool:
    """True for a serial line."""
    return resource.upper().startswith("ASRL")


def _check_lan(text: str, interface: str, board: str, fields: list[str]) -> str:
    _check_board(text, board)
    head = f"{interface}{board or 0}"
    if not fields or fields[0] in _CLASSES:
        raise ResourceProblem(text, "the host is missing", "TCPIP::HOST::PORT::SOCKET or TCPIP::HOST::INSTR")
    host, rest = fields[0], fields[1:]
    _check_host(text, host)
    if rest and rest[-1] == "SOCKET":
        return _check_raw_socket(text, head, host, rest[:-1])
    device = rest[:-1] if rest and rest[-1] == "INSTR" else rest
    if device and device[0].isdigit():
        raise ResourceProblem(
            text,
            f"this means the VXI-11 device named {device[0]!r}, not port {device[0]}",
            f"TCPIP{board}::{host}::{device[0]}::SOCKET",
        )
    if len(device) > 1:
        raise ResourceProblem(text, "it has too many fields", f"TCPIP{board}::{host}::{device[0]}::INSTR")
    return "::".join([head, host, device[0] if device else "inst0", "INSTR"])


def _check_raw_socket(text: str, head: str, host: str, port: list[str]) -> str:
    if not port:
        raise ResourceProblem(
            text,
            "a raw socket needs a port",
            f"TCPIP::{host}::5025::SOCKET (5025 is usual, see the instrument)",
        )
    if len(port) > 1:
        raise ResourceProblem(
            text, "a raw socket has host and port only", f"TCPIP::{host}::{port[-1]}::SOCKET"
        )
    if not port[0].isdecimal() or not 1 <= int(port[0]) <= _HIGHEST_PORT:
        raise ResourceProblem(
            text,
            f"{port[0]!r} is no port",
            f"a number from 1 to {_HIGHEST_PORT}: TCPIP::{host}::5025::SOCKET",
        )
    return "::".join([head, host, str(int(port[0])), "SOCKET"])


def _check_host(text: str, host: str) -> None:
    if re.fullmatch(r"[\d.]+", host):
        try:
            ipaddress.IPv4Address(host)
        except ValueError as error:
            raise ResourceProblem(
                text, f"{host!r} is no address ({error})", "four numbers from 0 to 255"
            ) from None
    elif not re.fullmatch(r"[A-Za-z0-9_]([A-Za-z0-9._-]*[A-Za-z0-9_])?", host):
        raise ResourceProblem(
            text, f"{host!r} is no host name", "a name or an IPv4 address, the port after '::', not after ':'"
        )


def _check_gpib(text: str, interface: str, board: str, fields: list[str]) -> str:
    _check_board(text, board)
    if fields == ["INTFC"]:
        raise ResourceProblem(
            text, "this is the interface itself, not an instrument", "GPIB0::ADDRESS::INSTR"
        )
    addresses = fields[:-1] if fields and fields[-1] == "INSTR" else fields
    if not 1 <= len(addresses) <= 2 or not all(a.isdecimal() and int(a) <= 30 for a in addresses[:1]):
        raise ResourceProblem(text, "the primary address, 0 to 30, is missing or wrong", "GPIB0::18::INSTR")
    return "::".join([f"{interface}{board or 0}", *addresses, "INSTR"])


def _check_usb(text: str, interface: str, board: str, fields: list[str]) -> str:
    _check_board(text, board)
    kind = fields[-1] if fields and fields[-1] in ("INSTR", "RAW") else "INSTR"
    parts = fields[:-1] if fields and fields[-1] == kind else fields
    if not 3 <= len(parts) <= 4:
        raise ResourceProblem(
            text, "vendor, product and serial number are needed", "USB0::0x1234::0x5678::SERIAL::INSTR"
        )
    return "::".join([f"{interface}{board or 0}", *parts, kind])


def _check_serial(text: str, interface: str, board: str, fields: list[str]) -> str:
    if not board or fields not in ([], ["INSTR"]):
        raise ResourceProblem(
            text,
            "the serial port is missing or followed by too much",
            "ASRL3::INSTR, ASRL/dev/ttyUSB0::INSTR",
        )
    return f"{interface}{board}::INSTR"


def _check_board(text: str, board: str) -> None:
    if board and not board.isdecimal():
        raise ResourceProblem(text, f"the board number {board!r} is no number", f"one such as {_EXAMPLES}")


_CHECKS = {"TCPIP": _check_lan, "GPIB": _check_gpib, "USB": _check_usb, "ASRL": _check_serial}
