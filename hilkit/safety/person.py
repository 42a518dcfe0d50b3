"""What a person does at the bench: asked for with all RF off, refused where nobody is there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["OnPerson", "PersonStep"]


@dataclass(frozen=True, kw_only=True)
class PersonStep:
    """Something to connect.

    ``moves`` are instruments with the plane that each is put on, "" where it is taken off; ``text`` says all
    of it in words, ``photos`` are pictures of the planes.
    """

    text: str
    moves: tuple[tuple[str, str], ...]
    photos: tuple[str, ...] = ()


OnPerson = Callable[[PersonStep], None]
"""Returns once it is done, and raises ``Interrupted`` where the person stops instead."""
