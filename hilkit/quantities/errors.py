"""The one error of this package."""

from __future__ import annotations

from hilkit.errors import UsageError

__all__ = ["QuantityError"]


class QuantityError(UsageError, ValueError):
    """A text is no quantity of the kind that is needed, or two quantities cannot be joined.

    ``message`` says what is wrong, ``seen`` holds the text in question, ``allowed`` what could be there. It
    is a ``ValueError`` too, so that a file model reports it at its place.
    """

    def __init__(self, message: str, *, seen: str = "", allowed: str = "", next_step: str = "") -> None:
        super().__init__(message, next_step=next_step)
        self.seen = seen
        self.allowed = allowed

    def __str__(self) -> str:
        lines = [self.message]
        for label, text in (("seen", self.seen), ("allowed", self.allowed), ("next", self.next_step)):
            if text:
                lines.append(f"  {label}: {text}")
        return "\n".join(lines)
