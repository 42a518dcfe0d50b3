"""A block of I/Q samples as a radio sends it on its control line: base64 of integers, I and Q in turn."""

from __future__ import annotations

import base64
import binascii

import numpy as np
from numpy.typing import NDArray

from hilkit.errors import ReplyError

__all__ = ["FORMATS", "decoded"]

FORMATS = {"int16le": "<i2", "int16be": ">i2"}
"""What a radio may call its numbers, and what numpy calls them; 32767 is full scale."""

_TOP = 32767.0


def decoded(text: str, form: str, count: int, *, instrument: str) -> NDArray[np.complex128]:
    """Return ``count`` complex samples, I and Q from -1 to 1; ReplyError for a block that is not as asked."""
    if form not in FORMATS:
        raise ReplyError(
            f"its samples come as {form!r}, which is not known",
            instrument=instrument,
            next_step=f"known: {', '.join(FORMATS)}; a reply pattern may have picked the wrong word",
        )
    try:
        data = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError) as error:
        raise ReplyError(
            f"its block of samples is no base64: {error}",
            instrument=instrument,
            next_step="check the reply pattern of samples in the driver file; part of a line may be lost",
        ) from error
    if len(data) != 4 * count:
        raise ReplyError(
            f"{count} samples were asked for, {4 * count} bytes, and {len(data)} bytes came",
            instrument=instrument,
            next_step="check the count and the format of its samples in the driver file",
        )
    pairs = np.frombuffer(data, dtype=FORMATS[form]).astype(np.float64).reshape(-1, 2) / _TOP
    return np.asarray(pairs[:, 0] + 1j * pairs[:, 1], dtype=np.complex128)
