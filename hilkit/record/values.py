"""Values as they are written to a record."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Protocol

from hilkit.masking import masked

__all__ = ["as_json", "storable"]


class _Stated(Protocol):
    def to_data(self) -> dict[str, Any]: ...


def storable(values: Mapping[str, object]) -> tuple[object, ...]:
    """Return values as they may be written: without passwords, and in characters that UTF-8 has."""
    return tuple(_text(value) if isinstance(value, str) else value for value in values.values())


def _text(value: str) -> str:
    shown = masked(value)
    try:
        shown.encode("utf-8")
    except UnicodeEncodeError:  # half a surrogate pair, out of an answer that was no text
        return shown.encode("utf-8", "backslashreplace").decode("utf-8")
    return shown


def as_json(item: _Stated | None) -> str:
    """Return what is stated of a reading as JSON, ``null`` where nothing is."""
    return json.dumps(None if item is None else item.to_data())
