"""A document against a model: all mistakes at once, each at its place."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from hilkit.errors import FileProblems, Problem
from hilkit.files.branches import failures
from hilkit.files.document import Document, Loc
from hilkit.files.explain import Words, explain, form
from hilkit.files.shapes import shapes_of
from hilkit.files.text import MOST_MISTAKES

__all__ = ["collect", "validate"]

M = TypeVar("M", bound=BaseModel)
_UNSET: Any = object()


def validate(document: Document, model: type[M], *, at: Loc = (), data: Any = _UNSET) -> M:
    """Return the part of a document at a path as a model; ``FileProblems`` with all its mistakes.

    ``data`` replaces what stands at the path (names filled in, say); places are still those of the document.
    Values are taken strictly: a number in quotes is a text, ``true`` no number and ``3.0`` no whole number.
    """
    payload = _part(document, at) if data is _UNSET else data
    text = json.dumps(payload, default=str)
    try:
        return model.model_validate_json(text, strict=True)
    except ValidationError as error:
        problems = collect(document, error, at, model=model, data=json.loads(text))
        raise FileProblems(problems) from None


def collect(
    document: Document,
    error: ValidationError,
    at: Loc = (),
    *,
    model: type[BaseModel] | None = None,
    data: Any = _UNSET,
) -> list[Problem]:
    """Return the mistakes of a failed validation at their places, in the order of the file.

    ``model`` adds what is allowed and what was probably meant.
    """
    payload = _part(document, at) if data is _UNSET else data
    shapes = shapes_of(model)
    found = [explain(failure, shapes, payload) for failure in failures(error, payload)[:MOST_MISTAKES]]
    problems = [_placed(document, words, tuple(at)) for words in _without_echoes(found)]
    return sorted(dict.fromkeys(problems), key=lambda problem: (problem.line, problem.column))


def _part(document: Document, at: Loc) -> Any:
    found = document.find(at)
    return found.node.plain() if found.whole else None


def _placed(document: Document, words: Words, at: tuple[str | int, ...]) -> Problem:
    loc = (*at, *words.path)
    words = _with_source(document, words, loc)
    return document.problem(
        loc,
        words.message,
        seen=words.seen,
        allowed=words.allowed,
        next_step=words.next_step,
        at_key=words.at_key,
    )


def _with_source(document: Document, words: Words, loc: Loc) -> Words:
    """Show a value as the file has it, and what it became where names were filled in."""
    raw = document.raw(loc)
    if raw is None or words.at_key or not words.seen:
        return words
    if raw == "":
        return replace(words, seen="nothing")
    written = words.seen == raw or "$" not in raw
    seen = raw if written else f"{words.seen} (from {raw})"
    quotable = words.needs_text and written
    return replace(words, seen=form(seen), next_step=f'write "{raw}"' if quotable else words.next_step)


def _without_echoes(found: Sequence[Words]) -> list[Words]:
    """Drop a missing key where the same mapping holds a misspelt one that was meant to be it."""
    meant = {(words.path[:-1], words.meant) for words in found if words.meant}
    return [words for words in found if not words.missing or (words.path, words.missing) not in meant]
