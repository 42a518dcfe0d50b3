"""A text that fits a regular expression, with given texts in its named groups.

A dialect says by a pattern what an instrument answers; its simulated counterpart has to say something that
fits, with the true value in the group ``value``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from importlib import import_module
from itertools import combinations, product
from typing import Any

__all__ = ["answer_for", "answers", "sample"]

_PARSER: Any = import_module("re._parser")
"""The parser of the standard library's own patterns: nothing else knows all of their syntax."""

_MOST_WILD = 3
"""Parts of a pattern for which different texts are tried."""

_CANDIDATES = "1a -x_.,:;A0/\"'"
_CATEGORIES = {
    "CATEGORY_DIGIT": "1",
    "CATEGORY_NOT_DIGIT": "x",
    "CATEGORY_SPACE": " ",
    "CATEGORY_NOT_SPACE": "x",
    "CATEGORY_WORD": "a",
    "CATEGORY_NOT_WORD": "-",
}


def answers(pattern: str, fills: Mapping[str, str], pool: Iterable[str] = ()) -> Iterator[str]:
    """Yield texts that fit ``pattern`` with ``fills`` in its groups, the plainest first.

    A group other than ``value`` that has no room for its text holds anything. ``pool`` are texts for parts of
    the pattern that let much through, as where two patterns have to fit one answer.
    """
    named = re.compile(pattern).groupindex
    wanted = {name: text for name, text in fills.items() if name in named}
    others = [name for name in wanted if name != "value"]
    texts = (None, "x", *pool)
    for dropped in (set(each) for n in range(len(others) + 1) for each in combinations(others, n)):
        kept = {name: text for name, text in wanted.items() if name not in dropped}
        writer = _writer(pattern, kept)
        for choice in product(texts, repeat=min(writer.count_wild(), _MOST_WILD)):
            text = writer.write(choice)
            found = re.fullmatch(pattern, text.strip(), re.DOTALL)
            if found is not None and all(found[name] == filled for name, filled in kept.items()):
                yield text.strip()


def answer_for(pattern: str, fills: Mapping[str, str]) -> str | None:
    """Return the first of ``answers``, ``None`` where the pattern leaves no room for a text of ``value``."""
    return next(answers(pattern, fills), None)


def sample(pattern: str, fills: Mapping[str, str] | None = None) -> str:
    """Return a short text that fits ``pattern`` as far as can be seen, with ``fills`` in its named groups."""
    return _writer(pattern, fills or {}).write(())


def _writer(pattern: str, fills: Mapping[str, str]) -> _Writer:
    parsed, names = _parsed(pattern)
    return _Writer(parsed, names, fills)


@lru_cache(maxsize=512)
def _parsed(pattern: str) -> tuple[Any, Mapping[int, str]]:
    parsed = _PARSER.parse(pattern)
    return parsed, {number: name for name, number in parsed.state.groupdict.items()}


class _Writer:
    """Writes texts along a parsed pattern."""

    def __init__(self, parsed: Any, names: Mapping[int, str], fills: Mapping[str, str]) -> None:
        self._parsed, self._names, self._fills = parsed, names, fills
        self._written: dict[int, str] = {}
        self._wild: Sequence[str | None] = ()
        self._seen = 0

    def count_wild(self) -> int:
        """Return how many parts of the pattern let nearly any text through."""
        self.write(())
        return self._seen

    def write(self, wild: Sequence[str | None]) -> str:
        """Return a text; ``wild`` has texts for the parts that let much through, ``None`` for a short one."""
        self._written.clear()
        self._wild, self._seen = wild, 0
        return self.text(self._parsed)

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
            if most > 1 and len(inner) == 1 and str(inner[0][0]) in ("IN", "ANY", "NOT_LITERAL"):
                chosen = self._wild[self._seen] if self._seen < len(self._wild) else None
                self._seen += 1
                if chosen is not None:
                    return chosen
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
