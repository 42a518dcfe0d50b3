"""What a rehearsal has come to doubt in a dialect: each sentence once, by instrument."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator

from hilkit.files import Lab
from hilkit.instruments import Capability, Dialect, load_dialect

__all__ = ["Doubts", "doubts_of_texts", "vocabulary"]

_ALIKE = 0.8
_SHORTEST = 5


class Doubts:
    """Collects sentences, each once."""

    def __init__(self) -> None:
        self._told: dict[tuple[str, str], None] = {}

    def add(self, instrument: str, sentence: str) -> None:
        """Take down one sentence on an instrument."""
        self._told.setdefault((instrument, sentence))

    def sentences(self) -> tuple[str, ...]:
        """Return what was told, in order."""
        return tuple(f"{instrument}: {sentence}" for instrument, sentence in self._told)


def vocabulary(lab: Lab) -> frozenset[str]:
    """Return the words of all headers in the drivers that come with hilkit and in those of the lab."""
    words: set[str] = set()
    for name in lab.names("driver"):
        dialect = load_dialect(name, lab)
        if dialect.line is None:
            for capability in dialect.capabilities.values():
                words.update(_words(capability.set_text), _words(capability.ask_text))
    return frozenset(words)


def doubts_of_texts(dialect: Dialect, known: frozenset[str]) -> Iterator[str]:
    """Yield what looks wrong in the command texts of a dialect, judged by the texts alone.

    A rehearsal takes a command text at its word: a header that the instrument does not know shows here, if at
    all, by being almost a known one, or by differing between the command and its own query.
    """
    if dialect.line is None:
        for capability in dialect.capabilities.values():
            yield from _misspelt(capability, known)
            yield from _two_headers(capability)
    yield from _same_text(dialect)


def _misspelt(capability: Capability, known: frozenset[str]) -> Iterator[str]:
    own = dict.fromkeys([*_words(capability.set_text), *_words(capability.ask_text)])
    for word in own:
        if len(word) < _SHORTEST or word in known:
            continue
        near = difflib.get_close_matches(word, known, n=1, cutoff=_ALIKE)
        if near:
            yield f"{capability.name}: {word} looks like {near[0]} misspelt; only the instrument knows"


def _two_headers(capability: Capability) -> Iterator[str]:
    if not capability.verified:
        return
    sent, asked = _header(capability.set_text), _header(capability.ask_text)
    if sent and asked and sent != asked:
        yield f"{capability.name} is set by {sent} and asked by {asked}: two headers for one setting"


def _same_text(dialect: Dialect) -> Iterator[str]:
    by_text: dict[str, list[str]] = {}
    for capability in dialect.capabilities.values():
        if capability.set_text is not None:
            by_text.setdefault(capability.set_text, []).append(capability.name)
    for text, names in by_text.items():
        if len(names) > 1:
            yield f"{' and '.join(names)} are set by one text, {text!r}: one of them moves the other"


def _header(text: str | None) -> str:
    return "" if text is None else text.split(" ")[0].split("?")[0].upper()


def _words(text: str | None) -> Iterable[str]:
    return re.findall(r"[A-Z][A-Za-z]+", _header_as_written(text))


def _header_as_written(text: str | None) -> str:
    return "" if text is None else text.split(" ")[0].split("?")[0]
