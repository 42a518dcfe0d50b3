"""The transcript of a run, which may fail to be written but never keeps the bench from being made safe."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from hilkit.clock import Clock
from hilkit.errors import RecordError
from hilkit.instruments import FileTranscript

__all__ = ["Tail"]

LAST_LINES = 10


class Tail:
    """A ``FileTranscript`` on a disk that may be full: a line that cannot be written is left out of the file.

    The commands that turn RF off pass through here too, and a full disk must not stop them. ``latest`` is the
    instrument that the last line belongs to.
    """

    def __init__(self, path: Path, clock: Clock) -> None:
        self.latest = ""
        try:
            self._transcript = FileTranscript(path, clock)
        except OSError as error:
            raise RecordError(
                f"the transcript {path} cannot be written: {error.strerror or error}",
                next_step="name a place that can be written with --out",
            ) from error

    def __enter__(self) -> Tail:
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(OSError):
            self._transcript.close()

    def line(self, instrument: str, direction: str, text: str) -> None:
        """Take one line."""
        self.latest = instrument
        with suppress(OSError):
            self._transcript.line(instrument, direction, text)

    def last(self, instrument: str, count: int) -> list[str]:
        """Return the last ``count`` lines of one instrument, oldest first."""
        return self._transcript.last(instrument, count)

    def of(self, instrument: str) -> tuple[str, tuple[str, ...]]:
        """Return an instrument with its last lines."""
        return instrument, tuple(self.last(instrument, LAST_LINES))
