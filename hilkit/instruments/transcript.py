"""The transcript: every line that goes to or comes from an instrument, with its time."""

from __future__ import annotations

from collections import defaultdict, deque
from pathlib import Path
from typing import Protocol, TextIO, runtime_checkable

from hilkit.clock import Clock
from hilkit.masking import masked

__all__ = [
    "NOTE",
    "RECEIVED",
    "SENT",
    "FileTranscript",
    "NullTranscript",
    "Transcript",
    "quoted",
    "visible",
]

SENT = "->"
RECEIVED = "<-"
NOTE = "--"
_LAST_LINES = 50
_LONGEST_LINE = 400


@runtime_checkable
class Transcript(Protocol):
    """Where links report what passes over them."""

    def line(self, instrument: str, direction: str, text: str) -> None:
        """Take one line: ``direction`` is ``->`` (sent), ``<-`` (received) or ``--`` (what the link did
        itself).
        """


class NullTranscript:
    """Keeps nothing."""

    def line(self, instrument: str, direction: str, text: str) -> None:
        """Drop the line."""


class FileTranscript:
    """Writes each line to a UTF-8 text file at once, and keeps the last 50 of each instrument for failure
    messages.

    A line is ``2026-01-31T22:15:03.123Z analyser -> :INITiate:IMMediate``. Control characters are made
    visible, passwords left out, long lines cut; a binary block reaches the transcript already summarised by
    its link.
    """

    def __init__(self, path: Path, clock: Clock) -> None:
        self._clock = clock
        self._file: TextIO = path.open("a", encoding="utf-8", buffering=1, newline="\n")
        self._last: defaultdict[str, deque[str]] = defaultdict(lambda: deque(maxlen=_LAST_LINES))

    def line(self, instrument: str, direction: str, text: str) -> None:
        """Write the line with the clock's time."""
        stamp = self._clock.utc().isoformat(timespec="milliseconds").replace("+00:00", "Z")
        entry = f"{stamp} {instrument} {direction} {visible(masked(text), _LONGEST_LINE)}"
        self._last[instrument].append(entry)
        if not self._file.closed:
            self._file.write(entry + "\n")

    def last(self, instrument: str, count: int) -> list[str]:
        """Return the last ``count`` lines of one instrument, oldest first."""
        lines = self._last.get(instrument)
        return list(lines)[-count:] if lines and count > 0 else []

    def close(self) -> None:
        """Close the file; later lines are kept in memory only."""
        self._file.close()

    def __enter__(self) -> FileTranscript:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def visible(text: str, longest: int = 80) -> str:
    """Return ``text`` with control characters written out (``\\n``, ``\\x00``), cut to ``longest``
    characters.
    """
    shown = text if text.isprintable() else "".join(_shown(character) for character in text)
    return shown if len(shown) <= longest else f"{shown[: longest - 1]}…"


def quoted(text: str, longest: int = 80) -> str:
    """Return ``text`` made visible and in quotes, for messages."""
    return f"'{visible(text, longest)}'"


def _shown(character: str) -> str:
    return character if character.isprintable() else character.encode("unicode_escape").decode("ascii")
