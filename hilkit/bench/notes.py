"""Collects the mistakes of one bench file, each with its place."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from hilkit.errors import HilkitError, Problem
from hilkit.files import Document
from hilkit.files.shapes import near as nearest

__all__ = ["Loc", "Notes", "listed", "near"]

Loc = Sequence[str | int]


class Notes:
    """The mistakes found so far, in the order of the checks."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.problems: list[Problem] = []

    def add(
        self,
        loc: Loc,
        message: str,
        *,
        seen: str = "",
        allowed: str = "",
        next_step: str = "",
        at_key: bool = False,
    ) -> None:
        """Note a mistake in the value at ``loc``, or in its key."""
        self.problems.append(
            self.document.problem(
                loc, message, seen=seen, allowed=allowed, next_step=next_step, at_key=at_key
            )
        )

    def add_error(self, loc: Loc, error: HilkitError) -> None:
        """Note what an error says, at ``loc``."""
        self.add(
            loc,
            error.message,
            seen=getattr(error, "seen", ""),
            allowed=getattr(error, "allowed", ""),
            next_step=error.next_step,
        )


def near(name: str, names: Iterable[str]) -> str:
    """Return ``did you mean ...?`` for a name that resembles one of ``names``, else an empty text."""
    found = nearest(name, names)
    return f"did you mean {found}?" if found else ""


def listed(names: Iterable[object]) -> str:
    """Return names joined for a message; ``none`` where there are none."""
    return ", ".join(str(name) for name in names) or "none"
