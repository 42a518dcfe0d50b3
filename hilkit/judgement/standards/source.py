"""Where a published value stands: document, version, clause and table, and whether anybody looked it up."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["FROM_MEMORY", "Source", "StandardMistake"]

FROM_MEMORY = "from memory, check the document"
"""What is told beside a value that was not read in the document itself."""


@dataclass(frozen=True, kw_only=True)
class Source:
    """One place in one edition of a document.

    ``from_memory`` marks a value that nobody has read in this table; ``note`` says what it rests on instead.
    An empty ``version`` is one that was not looked up.
    """

    document: str
    version: str = ""
    clause: str = ""
    table: str = ""
    from_memory: bool = False
    note: str = ""

    def __str__(self) -> str:
        edition = f"{self.document} {self.version}".rstrip()
        clause = self.clause if self.clause.startswith("Annex") else f"clause {self.clause}"
        told = [edition, self.clause and clause, self.table and f"Table {self.table}"]
        place = ", ".join(filter(None, told))
        doubt = FROM_MEMORY if self.from_memory else ""
        return "; ".join(filter(None, (place, self.note, doubt)))


class StandardMistake(ValueError):
    """A question that the standard has no answer to. ``key`` names the condition that is wrong or missing."""

    def __init__(
        self, key: str, message: str, *, seen: str = "", allowed: str = "", next_step: str = ""
    ) -> None:
        super().__init__(message)
        self.key = key
        self.message = message
        self.seen = seen
        self.allowed = allowed
        self.next_step = next_step
