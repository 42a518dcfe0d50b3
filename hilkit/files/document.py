"""A file as it was read: its values, and the place of each."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from hilkit.errors import FileProblems, Problem
from hilkit.files.commas import comma_problems
from hilkit.files.nodes import Node, compose
from hilkit.files.text import Source, read_source, source_of_text

__all__ = ["Document", "Loc", "load", "loads"]

Loc = Sequence[str | int]
"""A path into a file: keys of mappings and numbers of list items."""


class Told(Protocol):
    """What the errors about one value have in common, such as ``QuantityError`` and ``PlaceError``."""

    message: str
    seen: str
    allowed: str
    next_step: str


class Found(NamedTuple):
    """What stands at a path: the node, the key that holds it, and whether the whole path exists."""

    node: Node
    key: Node | None
    whole: bool


class Document:
    """One YAML file, read and found to be well formed."""

    def __init__(self, source: Source, root: Node) -> None:
        self._source = source
        self.root = root
        self.data: Any = root.plain()

    @property
    def path(self) -> Path:
        """The file; for a text from memory a path made of its name."""
        return self._source.path or Path(self._source.name)

    @property
    def text(self) -> str:
        """The text as it stands in the file."""
        return self._source.text

    def find(self, loc: Loc) -> Found:
        """Return the node at a path, or its nearest ancestor that exists."""
        node, key = self.root, None
        for part in loc:
            if node.pairs is not None and str(part) in node.pairs:
                key, node = node.pairs[str(part)]
            elif node.items is not None and isinstance(part, int) and 0 <= part < len(node.items):
                key, node = None, node.items[part]
            else:
                return Found(node, key, False)
        return Found(node, key, True)

    def raw(self, loc: Loc) -> str | None:
        """Return the text of the scalar at a path as it was written, ``None`` if there is none."""
        found = self.find(loc)
        return found.node.raw if found.whole and found.node.is_scalar else None

    def problem(
        self,
        loc: Loc,
        message: str,
        *,
        seen: str = "",
        allowed: str = "",
        next_step: str = "",
        at_key: bool = False,
    ) -> Problem:
        """Return a problem at the value (or the key, ``at_key``) of a path, or at its nearest ancestor.

        A mapping or list that spreads over lines is marked at the key that holds it.
        """
        found = self.find(loc)
        node = found.node
        spread = not node.is_scalar and not node.flow
        if found.key is not None and (at_key or spread or (node.is_scalar and node.raw == "")):
            node = found.key
        return self._source.problem(
            node.line,
            node.column,
            message,
            width=self._width(node),
            seen=seen,
            allowed=allowed,
            next_step=next_step,
        )

    def problem_from(self, loc: Loc, error: Told, *, at_key: bool = False) -> Problem:
        """Return the problem for an error that was raised about the value (or key) at a path."""
        return self.problem(
            loc,
            error.message,
            seen=error.seen,
            allowed=error.allowed,
            next_step=error.next_step,
            at_key=at_key,
        )

    def _width(self, node: Node) -> int:
        if node.is_scalar or node.flow:
            whole = node.end_line == node.line
            return (node.end_column if whole else len(self._source.lines[node.line])) - node.column
        if node.pairs:
            first = next(iter(node.pairs.values()))[0]
            return first.end_column - first.column
        return 1


def load(path: Path) -> Document:
    """Read a YAML file; ``FileProblems`` for whatever is not one well formed YAML 1.2 document."""
    source = read_source(path)
    return _document(source)


def loads(text: str, name: str) -> Document:
    """Read a YAML text that is in memory; ``name`` stands for the file in messages."""
    return _document(source_of_text(text, name))


def _document(source: Source) -> Document:
    root = compose(source)
    if problems := comma_problems(source, root):
        raise FileProblems(problems)
    return Document(source, root)
