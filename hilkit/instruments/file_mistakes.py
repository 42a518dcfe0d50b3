"""Mistakes in a chain of driver files, each at the place where it was written."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Unpack

from hilkit.errors import Problem

if TYPE_CHECKING:
    from hilkit.files import Document
    from hilkit.files.notes import Parts
    from hilkit.instruments.driver_file import DriverFile

    Chain = Sequence[tuple[Document, DriverFile]]

__all__ = ["Mistakes", "pattern_fault"]


class Mistakes:
    """Collects problems; the file that has the last word on a key is the one that is blamed for it."""

    def __init__(self, chain: Chain) -> None:
        self.chain = chain
        self.problems: list[Problem] = []

    def at(self, document: Document, loc: Sequence[str | int], message: str, **parts: Unpack[Parts]) -> None:
        """Note a problem in one file, at the key where nothing was seen that could be shown."""
        parts.setdefault("at_key", not parts.get("seen"))
        self.problems.append(document.problem(loc, message, **parts))

    def unknown(
        self,
        document: Document,
        loc: Sequence[str | int],
        message: str,
        seen: str,
        names: Iterable[str],
        *,
        at_key: bool = False,
    ) -> None:
        """Note a word that is none of ``names``, with the nearest of them."""
        from hilkit.files.notes import did_you_mean, listed

        allowed = list(names)
        hint = did_you_mean(seen, allowed)
        self.at(document, loc, message, seen=seen, allowed=listed(allowed), next_step=hint, at_key=at_key)

    def in_order(self) -> list[Problem]:
        """Return the problems, those of a file in the order of its lines, its own file first."""
        files = [str(document.path) for document, _ in self.chain]
        return sorted(
            self.problems,
            key=lambda problem: (
                files.index(problem.file) if problem.file in files else len(files),
                problem.line,
                problem.column,
            ),
        )

    def section(self, loc: Sequence[str | int], message: str, **parts: str) -> None:
        """Note a problem in a section of whichever file gives it."""
        self._at(self.owner(str(loc[0])), loc, message, parts)

    def capability(self, name: str, key: str, message: str, *, item: int | None = None, **parts: str) -> None:
        """Note a problem in a capability: at its name, at one of its keys, or at an item there."""
        loc: list[str | int] = ["capabilities", name, *([key] if key else [])]
        if item is not None:
            loc.append(item)
        self._at(self.owner_of(name, key), loc, message, parts)

    def _at(
        self, document: Document, loc: Sequence[str | int], message: str, parts: Mapping[str, str]
    ) -> None:
        seen, allowed, hint = (parts.get(name, "") for name in ("seen", "allowed", "next_step"))
        self.at(document, loc, message, seen=seen, allowed=allowed, next_step=hint)

    def owner(self, section: str) -> Document:
        """Return the file that has the last word on a section."""
        for document, model in self.chain:
            if section in model.model_fields_set:
                return document
        return self.chain[0][0]

    def owner_of(self, name: str, key: str) -> Document:
        """Return the file that has the last word on a key of a capability."""
        for document, model in self.chain:
            entry = (model.capabilities or {}).get(name)
            if entry is not None and (not key or key in entry.model_fields_set):
                return document
        return self.chain[0][0]


def pattern_fault(pattern: str) -> str:
    """Return what is wrong with a regular expression, empty if nothing is."""
    try:
        re.compile(pattern)
    except re.error as error:
        return str(error)
    return ""
