"""Plain scalars of YAML 1.2: what is a number, what is true, and what is just text.

YAML 1.2.2, section 10.3.2 (core schema, tag resolution). ``on``, ``yes``, ``no``, ``12:30`` and ``0o9`` are
text, ``1e9`` is a number and ``010`` is ten. Infinity and not-a-number, which the core schema also knows, are
refused: no file of this tool has a use for them.
"""

from __future__ import annotations

import math
import re

from hilkit.errors import UsageError

__all__ = ["Plain", "ScalarError", "resolve", "scalar"]

Plain = None | bool | int | float | str

_NULL = ("", "~", "null", "Null", "NULL")
_BOOL = {word: word.casefold() == "true" for word in ("true", "True", "TRUE", "false", "False", "FALSE")}
_DECIMAL = re.compile(r"[-+]?[0-9]+")
_OCTAL = re.compile(r"0o[0-7]+")
_HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")
_MOST_DIGITS = 40


class ScalarError(UsageError, ValueError):
    """A scalar is a number of YAML, but none that can be used; the message says why."""


def resolve(text: str) -> Plain:
    """Return the value of an untagged plain scalar."""
    if text in _NULL:
        return None
    if text in _BOOL:
        return _BOOL[text]
    if _NOT_FINITE.fullmatch(text):
        raise ScalarError("this is no finite number")
    for pattern, base in ((_DECIMAL, 10), (_OCTAL, 8), (_HEXADECIMAL, 16)):
        if pattern.fullmatch(text):
            if len(text) > _MOST_DIGITS:
                raise ScalarError(f"this number has more than {_MOST_DIGITS} digits")
            return int(text.replace("0o", "", 1) if base == 8 else text, base)
    if _FLOAT.fullmatch(text):
        number = float(text)
        if math.isinf(number):
            raise ScalarError("this number is too large")
        return number
    return text


def scalar(text: str) -> Plain:
    """Return what a text from the command line would be if it stood in a file, such as ``1`` for ``'1'``."""
    return resolve(text.strip())
