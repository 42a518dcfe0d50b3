"""Decimal text: the numbers that a person writes, read and printed without loss.

A value is held as a float, yet ``0.1 dB + 0.2 dB`` must print ``0.3 dB``. Sums are therefore made on the
shortest decimal text of each float, which is what was written wherever it had no more than 15 digits.
"""

from __future__ import annotations

import math
import re
from decimal import Context, Decimal

from hilkit.quantities.errors import QuantityError

__all__ = ["NUMBER_PATTERN", "decimal_of", "decimal_text", "float_of", "read_decimal"]

NUMBER_PATTERN = r"[+\-\u2212]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+\-\u2212]?[0-9]{1,4})?"
"""Plain decimals with an optional exponent, as a regular expression that Python and JSON Schema both read.

The minus sign U+2212 is taken as well as the hyphen: data sheets and word processors print it, and it can
mean nothing else. Other dashes are refused, since they are used for ranges.
"""

EXACT = Context(prec=800)
"""Wide enough for the sum of any two floats of a bench; only the step back to float rounds."""

_NUMBER = re.compile(NUMBER_PATTERN)
_LONGEST = 60


def read_decimal(text: str) -> Decimal | None:
    """Return the exact value of a number text, ``None`` if it is no number."""
    if len(text) > _LONGEST or not _NUMBER.fullmatch(text):
        return None
    return Decimal(text.replace("\u2212", "-"))


def decimal_of(value: float) -> Decimal:
    """Return the shortest decimal that reads back as this float."""
    return Decimal(repr(float(value)))


def float_of(value: Decimal, *, seen: str) -> float:
    """Return the nearest float; refuse what a float cannot hold."""
    result = float(value)
    if math.isinf(result):
        allowed = "up to about 1.7e308 in the base unit"
        raise QuantityError("the number is too large", seen=seen, allowed=allowed)
    if result == 0.0 and value != 0:
        allowed = "0, or down to about 5e-324 in the base unit"
        raise QuantityError("the number is too small", seen=seen, allowed=allowed)
    return result


def decimal_text(value: Decimal) -> str:
    """Return plain digits, or an exponent where plain digits would be long."""
    if value == 0:
        return "0"
    # Adjusted by hand: Decimal.normalize() rounds to the context in force.
    sign, digits, exponent = value.as_tuple()
    text = "".join(map(str, digits))
    kept = text.rstrip("0")
    trimmed = Decimal((sign, tuple(map(int, kept)), int(exponent) + len(text) - len(kept)))
    return f"{trimmed:f}" if -7 <= trimmed.adjusted() <= 15 else f"{trimmed:e}"
