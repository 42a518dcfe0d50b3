"""Trace data as it comes off the wire: definite length blocks (IEEE 488.2, clause 8.7.9) and ASCII lists."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from hilkit.errors import ReplyError
from hilkit.instruments.replies import SCPI_INFINITY, NoValue
from hilkit.instruments.transcript import quoted
from hilkit.instruments.visa import is_timeout

if TYPE_CHECKING:
    from hilkit.instruments.wire import Wire

__all__ = [
    "ByteOrder",
    "DataFormat",
    "block_from_message",
    "from_ascii",
    "from_bytes",
    "item_size",
    "read_counted",
]

DataFormat = Literal["real32", "real64", "ascii"]
ByteOrder = Literal["big", "little"]

_ITEM_SIZE = {"real32": 4, "real64": 8}
_TOO_LONG = 16
_MESSAGE_END = b"\r\n"


def item_size(data_format: DataFormat) -> int:
    """Return the bytes of one number."""
    return _ITEM_SIZE[data_format]


def block_from_message(message: bytes, *, instrument: str, asked: str) -> bytes:
    """Return the data of a block in a message whose end is known (END of the interface).

    ``#0`` ends with the message; a terminator after the data may be there or not.
    """
    if message[:1] != b"#" or not message[1:2].isdigit():
        raise not_a_block(message, instrument=instrument, asked=asked)
    digits = int(message[1:2])
    if digits == 0:
        return message[2:-1] if message.endswith(b"\n") else message[2:]
    if not message[2 : 2 + digits].isdigit():
        raise not_a_block(message, instrument=instrument, asked=asked)
    count, start = int(message[2 : 2 + digits]), 2 + digits
    data = message[start : start + count]
    if len(data) < count:
        raise cut_off(len(data), count, instrument=instrument, asked=asked)
    if rest := message[start + count :].strip(_MESSAGE_END):
        raise ReplyError(
            f"{asked} was answered with a block of {count} bytes and {len(rest)} bytes too many after it",
            instrument=instrument,
            next_step="check the data format in the dialect",
        )
    return data


def read_counted(wire: Wire, *, asked: str, expected_bytes: int = 0) -> bytes:
    """Read a block by its count from a wire without END; one far longer than ``expected_bytes`` not at all.

    ReplyError for what is no block, for ``#0`` and for a block that stops early; the wire is out of step
    after each.
    """
    instrument = wire.name
    first = wire.first_of_block()
    digit = _exactly(wire, 1, instrument=instrument, asked=asked)
    if first != b"#" or not digit.isdigit():
        raise not_a_block(first + digit, instrument=instrument, asked=asked)
    if digit == b"0":
        raise ReplyError(
            f"{asked} was answered with a block of unknown length (#0): only the END signal of an interface "
            "such as "
            "GPIB, USB or HiSLIP ends it, and a raw socket or serial line has none",
            instrument=instrument,
            next_step="use the instrument's INSTR resource, or another trace format in the dialect",
        )
    count = _exactly(wire, int(digit), instrument=instrument, asked=asked)
    if not count.isdigit():
        raise not_a_block(first + digit + count, instrument=instrument, asked=asked)
    if expected_bytes and int(count) > _TOO_LONG * expected_bytes:  # it would keep everybody waiting
        raise ReplyError(
            f"{asked} was answered with {int(count)} bytes, expected {expected_bytes}",
            instrument=instrument,
            next_step="check the number of points and the data format in the dialect (trace: format, layout)",
        )
    return _exactly(wire, int(count), instrument=instrument, asked=asked)


def _exactly(wire: Wire, count: int, *, instrument: str, asked: str) -> bytes:
    """Read ``count`` bytes in as many portions as they come; one that does not come in time ends it."""
    got = bytearray()
    while len(got) < count:
        try:
            got += wire.portion(count - len(got))
        except Exception as error:
            if not is_timeout(error):
                raise
            raise cut_off(len(got), count, instrument=instrument, asked=asked) from error
    return bytes(got)


def not_a_block(message: bytes, *, instrument: str, asked: str) -> ReplyError:
    """Return the error for an answer that is no block at all."""
    return ReplyError(
        f"{asked} was answered with {quoted(message.decode('latin-1'))}, which does not begin like a data "
        "block (#44004...)",
        instrument=instrument,
        next_step="check the data format in the dialect (trace: format)",
    )


def cut_off(got: int, expected: int, *, instrument: str, asked: str) -> ReplyError:
    """Return the error for a block that stopped early."""
    # A library that drops what came before a timeout leaves none to count.
    return ReplyError(
        f"{asked}: the data block was cut off, got {got or 'an unknown number'} of {expected} bytes",
        instrument=instrument,
        next_step="check cable and network; run the step again",
    )


def from_bytes(
    data: bytes, *, count: int, data_format: DataFormat, byte_order: ByteOrder, instrument: str, asked: str
) -> NDArray[np.float64]:
    """Return ``count`` numbers from the bytes of a block; ReplyError for another length or a value that is
    none.
    """
    expected = count * item_size(data_format)
    if len(data) != expected:
        raise ReplyError(
            f"{asked} was answered with {len(data)} bytes, expected {expected} ({count} numbers of "
            f"{item_size(data_format)} bytes)",
            instrument=instrument,
            next_step="check the number of points and the data format in the dialect (trace: format, layout)",
        )
    order = ">" if byte_order == "big" else "<"
    with np.errstate(invalid="ignore"):  # a signalling NaN among them is refused below
        values = np.frombuffer(data, dtype=f"{order}f{item_size(data_format)}").astype(np.float64)
    return _usable(values, instrument=instrument, asked=asked)


def from_ascii(reply: str, *, count: int, instrument: str, asked: str) -> NDArray[np.float64]:
    """Return ``count`` numbers from a list with commas; ReplyError for another length or anything that is
    none.
    """
    fields = reply.split(",")
    try:
        if "_" in reply:  # Python takes 1_0 for a number
            raise ValueError("an underscore is no part of a number")
        values = np.array(fields, dtype=np.float64)
    except ValueError as error:
        raise ReplyError(
            f"{asked} was answered with {quoted(reply)}, in which not everything is a number ({error})",
            instrument=instrument,
            next_step="check the data format in the dialect (trace: format)",
        ) from None
    if len(values) != count:
        raise ReplyError(
            f"{asked} was answered with {len(values)} numbers, expected {count}",
            instrument=instrument,
            next_step="check the number of points and the layout in the dialect (trace: layout)",
        )
    return _usable(values, instrument=instrument, asked=asked)


def _usable(values: NDArray[np.float64], *, instrument: str, asked: str) -> NDArray[np.float64]:
    bad = ~(np.abs(values) < SCPI_INFINITY)
    if bad.any():
        first = int(np.argmax(bad))
        raise NoValue(
            f"{asked}: {int(bad.sum())} of {len(values)} numbers are no valid values (number {first + 1} is "
            f"{values[first]:.4g}, SCPI not-a-number or infinity)",
            instrument=instrument,
            next_step="check that the sweep has finished and that the byte order in the dialect is right",
        )
    return values
