"""A text that fits a regular expression, with given texts in its named groups.

A dialect says by a pattern what an instrument answers; its simulated counterpart has to say something that
fits, with the true value in the group ``value``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from importlib import import_module
from itertools import combinations
from typing import Any

__all__ = ["answer_for", "sample"]

_PARSER: Any = import_module("re._parser")
"""The parser of the standard library's own patterns: nothing else knows all of their syntax."""

_CANDIDATES = "1a -x_.,:;A0/\"'"
_CATEGORIES = {
    "CATEGORY_DIGIT": "1",
    "CATEGORY_NOT_DIGIT": "x",
    "CATEGORY_SPACE": " ",
    "CATEGORY_NOT_SPACE": "x",
    "CATEGORY_WORD": "a",
    "CATEGORY_NOT_WORD": "-",
}


def answer_for(pattern: str, fills: Mapping[str, Iterable[str]]) -> str | None:
    """Return a text that fits ``pattern``, each of its groups holding one of the texts in ``fills``.

    Of several texts for a group the first that fits is taken. A group other than ``value`` whose texts all
    do not fit holds anything; ``None`` where the pattern leaves no room for a text of ``value``.
    """
    named = re.compile(pattern).groupindex
    wanted = {name: list(texts) for name, texts in fills.items() if name in named}
    others = [name for name in wanted if name != "value"]
    for dropped in (set(each) for n in range(len(others) + 1) for each in combinations(others, n)):
        kept = {name: texts for name, texts in wanted.items() if name not in dropped}
        for choice in _choices(kept):
            text = sample(pattern, choice)
            found = re.fullmatch(pattern, text, re.DOTALL)
            if found is not None and all(found[name] == filled for name, filled in choice.items()):
                return text
    return None


def _choices(texts: Mapping[str, list[str]]) -> Iterable[dict[str, str]]:
    """Yield one text for each group: first all first ones, then the others of ``value``."""
    first = {name: each[0] for name, each in texts.items() if each}
    yield first
    for text in texts.get("value", [])[1:]:
        yield {**first, "value": text}


def sample(pattern: str, fills: Mapping[str, str] | None = None) -> str:
    """Return a short text that fits ``pattern`` as far as can be seen, with ``fills`` in its named groups."""
    parsed = _PARSER.parse(pattern)
    names = {number: name for name, number in parsed.state.groupdict.items()}
    return _Writer(names, fills or {}).text(parsed)


class _Writer:
    """Writes one text along a parsed pattern."""

    def __init__(self, names: Mapping[int, str], fills: Mapping[str, str]) -> None:
        self._names, self._fills = names, fills
        self._written: dict[int, str] = {}

    def text(self, items: Any) -> str:
        return "".join(self._item(str(op), argument) for op, argument in items)

    def _item(self, op: str, argument: Any) -> str:
        if op == "LITERAL":
            return chr(argument)
        if op == "NOT_LITERAL":
            return next(char for char in _CANDIDATES if ord(char) != argument)
        if op == "ANY":
            return "x"
        if op == "IN":
            return _member(argument)
        if op == "BRANCH":
            return self.text(max(argument[1], key=self._filled))
        if op == "SUBPATTERN":
            return self._group(argument[0], argument[-1])
        if op == "ATOMIC_GROUP":
            return self.text(argument)
        if op in ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"):
            least, most, inner = argument
            count = max(least, 1) if most and self._filled(inner) else least
            return "".join(self.text(inner) for _ in range(min(count, 50)))
        if op == "GROUPREF":
            return self._written.get(argument, "")
        return ""  # anchors and looks ahead or back write nothing

    def _group(self, number: int | None, inner: Any) -> str:
        name = self._names.get(number, "") if number is not None else ""
        text = self._fills[name] if name in self._fills else self.text(inner)
        if number is not None:
            self._written[number] = text
        return text

    def _filled(self, items: Any) -> int:
        """Count the groups with a given text inside: those parts are worth being written."""
        count = 0
        for op, argument in items:
            kind = str(op)
            if kind == "SUBPATTERN":
                count += self._names.get(argument[0], "") in self._fills
                count += self._filled(argument[-1])
            elif kind == "BRANCH":
                count += max(map(self._filled, argument[1]), default=0)
            elif kind.endswith("REPEAT"):
                count += self._filled(argument[2])
        return count


def _member(items: Any) -> str:
    """Return a character of a set, or one outside of it where the set is negated."""
    if str(items[0][0]) == "NEGATE":
        return next((char for char in _CANDIDATES if not _holds(items[1:], char)), "x")
    kind, argument = str(items[0][0]), items[0][1]
    if kind == "LITERAL":
        return chr(argument)
    return chr(argument[0]) if kind == "RANGE" else _CATEGORIES[str(argument)]


def _holds(items: Any, char: str) -> bool:
    for op, argument in items:
        kind = str(op)
        if kind == "LITERAL" and argument == ord(char):
            return True
        if kind == "RANGE" and argument[0] <= ord(char) <= argument[1]:
            return True
        if kind == "CATEGORY":
            letter = {"DIGIT": r"\d", "SPACE": r"\s", "WORD": r"\w"}[str(argument).rsplit("_", 1)[-1]]
            negated = "_NOT_" in str(argument)
            if (re.fullmatch(letter, char) is not None) is not negated:
                return True
    return False
