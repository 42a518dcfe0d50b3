"""Parts that readings share, such as a line of an uncertainty budget: written once, then named by number."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any

__all__ = ["Parts"]

_MOST = 4096
"""Parts that are remembered: a long run keeps its memory, and writes a part again now and then."""


class Parts:
    """Knows the number of every part that was written lately; ``insert`` writes a new one."""

    def __init__(self, insert: Callable[[str], int]) -> None:
        self._insert = insert
        self._numbers: dict[str, int] = {}

    def number(self, text: str) -> int:
        """Return the number of a part, written first if it is new."""
        found = self._numbers.get(text)
        if found is None:
            if len(self._numbers) >= _MOST:
                self._numbers.clear()
            found = self._numbers[text] = self._insert(text)
        return found

    def numbers(self, parts: Iterable[Mapping[str, Any]]) -> list[int]:
        """Return the numbers of several parts, given as plain data."""
        return [self.number(json.dumps(part)) for part in parts]

    def forget(self) -> None:
        """Know nothing any more: what was written last was taken back."""
        self._numbers.clear()
