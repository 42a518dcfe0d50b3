"""Collects the mistakes of one file, each with its place, and the phrases that its messages share."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypedDict, Unpack

from hilkit.errors import HilkitError, Problem
from hilkit.files.document import Document, Loc
from hilkit.files.shapes import near

__all__ = ["Notes", "Parts", "did_you_mean", "listed"]


class Parts(TypedDict, total=False):
    """What a message may have besides its sentence; see ``Document.problem``."""

    seen: str
    allowed: str
    next_step: str
    at_key: bool


class Notes:
    """The mistakes found so far, in the order of the checks."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.problems: list[Problem] = []

    def add(self, loc: Loc, message: str, **parts: Unpack[Parts]) -> None:
        """Note a mistake in the value at ``loc``, or in its key."""
        self.problems.append(self.document.problem(loc, message, **parts))

    def add_error(self, loc: Loc, error: HilkitError) -> None:
        """Note what an error says, at ``loc``."""
        self.add(
            loc,
            error.message,
            seen=getattr(error, "seen", ""),
            allowed=getattr(error, "allowed", ""),
            next_step=error.next_step,
        )

    def in_order(self) -> list[Problem]:
        """Return the mistakes in the order of the file."""
        return sorted(self.problems, key=lambda problem: (problem.file, problem.line, problem.column))


def did_you_mean(name: str, names: Iterable[str]) -> str:
    """Return ``did you mean ...?`` for a name that resembles one of ``names``, else an empty text."""
    found = near(name, names)
    return f"did you mean {found}?" if found else ""


def listed(names: Iterable[object], *, nothing: str = "none") -> str:
    """Return names joined for a message; ``nothing`` where there are none."""
    return ", ".join(str(name) for name in names) or nothing
