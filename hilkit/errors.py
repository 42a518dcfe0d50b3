"""The tree of errors, by whose fault it is, and the exit code that each one leads to.

::

    HilkitError
     +- UsageError            the command line is wrong                     exit 2
     +- FileProblems          a file that a person wrote is wrong           exit 2
     +- NothingRan            the choice of steps is empty                  exit 5
     +- BenchError            the bench could not do it                     exit 3
     |   +- InstrumentError   one instrument (or the radio) could not
     |   |   +- LinkError     not found, no answer, out of step, lost
     |   |   +- IdentityError another instrument answers
     |   |   +- ReplyError    it answered something that cannot be used
     |   |   +- RefusedError  it refused a setting or reported an error
     |   +- MeasurementError  the signal does not allow the reading
     |   +- BenchBusyError    another run holds the bench
     |   +- RecordError       the record cannot be written
     +- SafetyStop            a state was refused or stopped for safety     exit 4
     +- Interrupted           a person stopped it                           exit 130
     +- BenchNotSafe          the safe state could not be reached           exit 7

Every message says what, where, the value seen, what is allowed and what to do next; ``next_step`` holds the
last part.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import IntEnum

from hilkit.masking import masked

__all__ = [
    "BenchBusyError",
    "BenchError",
    "BenchNotSafe",
    "ExitCode",
    "FileProblems",
    "HilkitError",
    "IdentityError",
    "InstrumentError",
    "Interrupted",
    "LinkError",
    "MeasurementError",
    "NothingRan",
    "Problem",
    "RecordError",
    "RefusedError",
    "ReplyError",
    "SafetyStop",
    "UsageError",
    "worst_exit",
]


class ExitCode(IntEnum):
    """What the process tells its caller."""

    PASSED = 0
    LIMIT_FAILED = 1
    USAGE = 2
    BENCH = 3
    SAFETY = 4
    NOTHING_RAN = 5
    INCONCLUSIVE = 6
    NOT_SAFE = 7
    INTERRUPTED = 130

    @property
    def meaning(self) -> str:
        """One line for ``--help`` and the manual."""
        return _MEANINGS[self]


_MEANINGS = {
    ExitCode.PASSED: "all pass (with a warning where nothing was judged)",
    ExitCode.LIMIT_FAILED: "a limit failed",
    ExitCode.USAGE: "usage or file error",
    ExitCode.BENCH: "bench or instrument error",
    ExitCode.SAFETY: "stopped for safety",
    ExitCode.NOTHING_RAN: "nothing ran",
    ExitCode.INCONCLUSIVE: "inconclusive, but nothing failed",
    ExitCode.NOT_SAFE: "the bench could not be made safe",
    ExitCode.INTERRUPTED: "interrupted",
}

# Highest first. Usage (2) and nothing ran (5) end a run before it has any other outcome.
_PRECEDENCE = (
    ExitCode.NOT_SAFE,
    ExitCode.SAFETY,
    ExitCode.INTERRUPTED,
    ExitCode.USAGE,
    ExitCode.BENCH,
    ExitCode.LIMIT_FAILED,
    ExitCode.INCONCLUSIVE,
    ExitCode.NOTHING_RAN,
    ExitCode.PASSED,
)


def worst_exit(codes: Iterable[ExitCode]) -> ExitCode:
    """Return the code that wins when several apply; ``PASSED`` for none."""
    return min(codes, key=_PRECEDENCE.index, default=ExitCode.PASSED)


class HilkitError(Exception):
    """Base of all errors that are meant for a person to read."""

    exit_code = ExitCode.BENCH

    def __init__(self, message: str, *, next_step: str = "") -> None:
        self.message = masked(message)
        self.next_step = masked(next_step)
        super().__init__(self.message)

    def __str__(self) -> str:
        return f"{self.message}\n  next: {self.next_step}" if self.next_step else self.message


class UsageError(HilkitError):
    """The command was called in a way that cannot work."""

    exit_code = ExitCode.USAGE


class NothingRan(HilkitError):
    """No step was left to run."""

    exit_code = ExitCode.NOTHING_RAN


@dataclass(frozen=True, kw_only=True)
class Problem:
    """One mistake in a file, with its place.

    ``line`` and ``column`` count from 1; ``width`` is the length of the caret mark. ``line_text`` is the line
    itself.
    """

    file: str
    line: int
    column: int
    message: str
    line_text: str = ""
    width: int = 1
    seen: str = ""
    allowed: str = ""
    next_step: str = ""

    def render(self) -> str:
        """Return the message as several lines of plain text, the mark under the text it speaks of."""
        lines = [f"{self.file}:{self.line}:{self.column}: {self.message}"]
        if self.line_text:
            number = f"{self.line:>5} | "
            lines.append(number + self.line_text)
            before = _columns(self.line_text[: self.column - 1])
            marked = _columns(self.line_text[self.column - 1 : self.column - 1 + self.width])
            lines.append(" " * (len(number) - 2) + "| " + " " * before + "^" * max(1, self.width, marked))
        for label, text in (("seen", self.seen), ("allowed", self.allowed), ("next", self.next_step)):
            if text:
                lines.append(f"  {label}: {text}")
        return masked("\n".join(lines))


def _columns(text: str) -> int:
    """Return how many columns of a terminal a text takes: wide characters two, combining ones none."""
    wide = sum(unicodedata.east_asian_width(character) in "WF" for character in text)
    return len(text) + wide - sum(unicodedata.combining(character) > 0 for character in text)


class FileProblems(HilkitError):
    """All mistakes of one or more files at once."""

    exit_code = ExitCode.USAGE

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        count = len(self.problems)
        text = "\n\n".join(problem.render() for problem in self.problems)
        super().__init__(
            f"{text}\n\n{count} mistake{'' if count == 1 else 's'} found" if count else "no mistakes"
        )


class BenchError(HilkitError):
    """The bench could not do what was asked."""


class InstrumentError(BenchError):
    """One instrument, named as in the bench file, could not do what was asked."""

    def __init__(self, message: str, *, instrument: str = "", next_step: str = "") -> None:
        super().__init__(f"{instrument}: {message}" if instrument else message, next_step=next_step)
        self.instrument = instrument


class LinkError(InstrumentError):
    """The instrument was not found, did not answer in time, or its link was lost."""


class IdentityError(InstrumentError):
    """Another instrument answers at this resource than the bench file expects."""


class ReplyError(InstrumentError):
    """The instrument answered something that cannot be used as the answer."""


class RefusedError(InstrumentError):
    """The instrument refused a setting, or its error queue was not empty."""


class MeasurementError(BenchError):
    """The signal does not allow the reading that was asked for."""


class BenchBusyError(BenchError):
    """Another run holds the bench."""


class RecordError(BenchError):
    """The record on disk cannot be written or read."""


class SafetyStop(HilkitError):
    """A state was refused before it was sent, or the run was stopped to protect something."""

    exit_code = ExitCode.SAFETY


class Interrupted(HilkitError):
    """A person or the operating system asked the run to stop."""

    exit_code = ExitCode.INTERRUPTED


class BenchNotSafe(HilkitError):
    """The safe state could not be reached; the message says what to switch off by hand."""

    exit_code = ExitCode.NOT_SAFE
