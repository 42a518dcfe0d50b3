"""Doing something on an instrument in a hurry: what cannot be done in its time is left undone."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any

__all__ = ["SHORTEST_S", "hurried"]

SHORTEST_S = 0.02
"""Time in seconds that an answer gets even when the time is up."""


def hurried(instrument: Any, seconds: float) -> AbstractContextManager[object]:
    """Let all that is done on ``instrument`` inside take ``seconds`` at most.

    An instrument of a class from elsewhere that knows no hurry keeps its own time.
    """
    make = getattr(instrument, "hurried", None)
    return make(seconds) if make is not None else _at_ease()


@contextmanager
def _at_ease() -> Iterator[None]:
    yield
