"""Decimal commas: in a list or mapping in brackets a comma separates, so ``1,5 dB`` falls into two parts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise

from hilkit.errors import Problem
from hilkit.files.nodes import Node
from hilkit.files.text import Source

__all__ = ["comma_problems"]

_WHOLE = re.compile(r"[+-]?\d+")
_REST = re.compile(r"\d+\s*[A-Za-zµ°%].*")


def comma_problems(source: Source, root: Node) -> list[Problem]:
    """Return a problem for each number that a comma tore apart: digits, a comma, digits with a unit."""
    return [
        source.problem(
            first.line,
            first.column,
            "a comma separates items here, so this is read as two values",
            width=rest.end_column - first.column,
            seen=f"{first.raw},{rest.raw}",
            next_step=f"write {first.raw}.{rest.raw} with a point",
        )
        for first, rest in _torn(root)
    ]


def _torn(node: Node) -> Iterator[tuple[Node, Node]]:
    parts = _in_order(node)
    if node.flow:
        for first, rest in pairwise(parts):
            beside = first.line == rest.line and rest.column == first.end_column + 1
            if beside and _WHOLE.fullmatch(first.raw) and _REST.fullmatch(rest.raw):
                yield first, rest
    for part in parts:
        yield from _torn(part)


def _in_order(node: Node) -> list[Node]:
    """Return what stands in a list or mapping, keys too, in the order of the text."""
    if node.items is not None:
        return node.items
    if node.pairs is not None:
        return [part for pair in node.pairs.values() for part in pair]
    return []
