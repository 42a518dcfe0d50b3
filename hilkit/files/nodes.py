"""YAML text to a tree that knows where everything stands.

The parser's events are put together here, with a stack of our own, rather than by the parser's composer: deep
nesting cannot exhaust the interpreter then, aliases cannot multiply, and each mistake is found at its place.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import yaml

from hilkit.errors import FileProblems, Problem
from hilkit.files.scalars import Plain, ScalarError, resolve
from hilkit.files.syntax import syntax_problem
from hilkit.files.text import MOST_MISTAKES, Source

__all__ = ["MAX_DEPTH", "Node", "compose"]

MAX_DEPTH = 30
"""Deepest nesting that is read."""

_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@dataclass(eq=False)
class Node:
    """A scalar, list or mapping with its place (lines and columns from 0, the end exclusive).

    ``raw`` is a scalar's text as written, without quotes. A mapping keeps the nodes of its keys.
    """

    line: int
    column: int
    end_line: int
    end_column: int
    flow: bool = False
    raw: str = ""
    value: Plain = None
    items: list[Node] | None = None
    pairs: dict[str, tuple[Node, Node]] | None = None
    open_key: Node | None = field(default=None, repr=False)

    @property
    def is_scalar(self) -> bool:
        """True for what has no parts."""
        return self.items is None and self.pairs is None

    def plain(self) -> Any:
        """Return the tree as dictionaries, lists and values; all keys are text, as written."""
        if self.items is not None:
            return [node.plain() for node in self.items]
        if self.pairs is not None:
            return {key: node.plain() for key, (_, node) in self.pairs.items()}
        return self.value


def compose(source: Source) -> Node:
    """Return the tree of the one document in the text; ``FileProblems`` with every mistake that was found."""
    builder = _Builder(source)
    try:
        builder.read(yaml.parse(source.text, Loader=_LOADER))
    except yaml.YAMLError as error:
        builder.problems.append(syntax_problem(source, error))
    root = builder.root
    if (root is None or (root.is_scalar and root.raw == "")) and not builder.problems:
        builder.problems.append(
            source.problem(0, 0, "this file holds nothing but comments", next_step="see 'hilkit manual'")
        )
    if builder.problems:
        raise FileProblems(builder.problems)
    assert builder.root is not None
    return builder.root


class _Builder:
    def __init__(self, source: Source) -> None:
        self.source = source
        self.problems: list[Problem] = []
        self.root: Node | None = None
        self.stack: list[Node] = []
        self.documents = 0

    def read(self, events: Iterable[yaml.Event]) -> None:
        for event in events:
            if len(self.problems) >= MOST_MISTAKES:
                return
            if isinstance(event, yaml.DocumentStartEvent):
                self.documents += 1
                if self.documents > 1:
                    self._refuse(
                        event,
                        "a second document starts here",
                        "one document in a file",
                        "put it in a file of its own",
                    )
                    return
            elif isinstance(event, yaml.AliasEvent):
                self._refuse(event, "an alias (*) is not allowed", "the value itself", "write the value out")
                self._add(self._node(event))
            elif isinstance(event, yaml.NodeEvent):
                if not self._start(event):
                    return
            elif isinstance(event, yaml.CollectionEndEvent):
                self._end(event)

    def _start(self, event: yaml.NodeEvent) -> bool:
        """Take in a scalar or the start of a collection; return False where reading cannot go on."""
        if event.anchor is not None:
            self._refuse(event, "an anchor (&) is not allowed", "the value itself", "delete the anchor")
        tag = getattr(event, "tag", None)
        if tag is not None:
            self._refuse(
                event,
                "a tag (!) is not allowed",
                "the value itself",
                "put a text that starts with ! in quotes",
            )
        node = self._node(event)
        if isinstance(event, yaml.ScalarEvent):
            self._scalar(event, node)
            self._add(node)
            return True
        if isinstance(event, yaml.MappingStartEvent):
            node.pairs = {}
        else:
            node.items = []
        self._add(node)
        self.stack.append(node)
        if len(self.stack) > MAX_DEPTH:
            self._refuse(event, "this is nested too deep", f"at most {MAX_DEPTH} levels", "")
            return False
        return True

    def _end(self, event: yaml.CollectionEndEvent) -> None:
        node, end = self.stack.pop(), self._node(event)
        node.end_line, node.end_column = end.end_line, end.end_column

    def _node(self, event: Any) -> Node:
        start, end = event.start_mark, event.end_mark
        flow = bool(getattr(event, "flow_style", False))
        return Node(start.line, start.column, end.line, end.column, flow=flow)

    def _scalar(self, event: yaml.ScalarEvent, node: Node) -> None:
        node.raw = node.value = event.value
        if event.implicit[0]:  # plain and untagged; the two builds of the parser name the style differently
            try:
                node.value = resolve(event.value)
            except ScalarError as error:
                self._refuse(event, str(error), "a finite number", "")

    def _add(self, node: Node) -> None:
        if not self.stack:
            self.root = node
            return
        parent = self.stack[-1]
        if parent.items is not None:
            parent.items.append(node)
        elif parent.open_key is None:
            parent.open_key = node
            self._check_key(node)
        else:
            assert parent.pairs is not None
            key, parent.open_key = parent.open_key, None
            parent.pairs.setdefault(key.raw, (key, node))

    def _check_key(self, key: Node) -> None:
        pairs = self.stack[-1].pairs or {}
        if not key.is_scalar or key.raw == "":
            self._refuse_at(key, "a key must be a word", "one word or text before the colon", "")
        elif key.raw == "<<":
            self._refuse_at(
                key, "a merge key (<<) is not allowed", "the keys themselves", "write the keys out"
            )
        elif key.raw in pairs:
            first = pairs[key.raw][0]
            self._refuse_at(
                key,
                f"the key {key.raw!r} stands here a second time (first in line {first.line + 1})",
                "each key once",
                "delete one of the two",
            )

    def _refuse(self, event: yaml.Event, message: str, allowed: str, next_step: str) -> None:
        self._refuse_at(self._node(event), message, allowed, next_step)

    def _refuse_at(self, node: Node, message: str, allowed: str, next_step: str) -> None:
        width = node.end_column - node.column if node.end_line == node.line else 1
        self.problems.append(
            self.source.problem(
                node.line,
                node.column,
                message,
                width=width,
                allowed=allowed,
                next_step=next_step,
            )
        )
