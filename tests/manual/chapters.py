"""The chapters of the manual, taken apart: their fenced examples, headings and tables.

A fence says what its text is, and so how it is proved::

    ```yaml plan [FILE]     a plan; with FILE it is also written into the lab where the commands run
    ```yaml bench|driver|profile [FILE]
    ```yaml steps           the list under `steps:` of a plan
    ```yaml paths           the `paths:` of a bench with the one path tx1
    ```yaml keys            keys of a bench file, put over those of the bench of calibration day
    ```yaml faults          the `faults:` of a simulated bench
    ```console [FAULT...]   commands after `$ ` with what they print; `...` stands for anything. FAULT is
                            INSTRUMENT/KIND/BEGINNING/COUNT of a fault at the bench `faulty_pier`
    ```console by-hand      commands that need hardware or a second window: only their options are checked
    ```message NAME         a message that tests/manual/producers.py provokes under this name
    ```python [FILE]        a module that is compiled and run
    ```text                 nothing to prove
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from hilkit.cli.manual_command import chapters

__all__ = ["CHAPTERS", "LANGUAGES", "Fence", "example_id", "fences", "fences_of", "section"]

CHAPTERS = chapters()
LANGUAGES = ("yaml", "console", "message", "python", "text")


@dataclass(frozen=True)
class Fence:
    """One fenced block: the chapter and line it stands at, the words of its info string, its text."""

    chapter: str
    line: int
    words: tuple[str, ...]
    text: str

    @property
    def language(self) -> str:
        return self.words[0] if self.words else ""

    @property
    def kind(self) -> str:
        return self.words[1] if len(self.words) > 1 else ""

    @property
    def file(self) -> str:
        """Where the text is written to in the lab, empty if it is not."""
        place = 1 if self.language == "python" else 2
        return self.words[place] if self.language in ("yaml", "python") and len(self.words) > place else ""


def fences() -> Iterator[Fence]:
    """Yield every fenced block of the manual."""
    for chapter, text in CHAPTERS.items():
        opened: tuple[int, tuple[str, ...]] | None = None
        body: list[str] = []
        for number, line in enumerate(text.splitlines(), start=1):
            if not line.startswith("```"):
                body.append(line)
            elif opened is None:
                opened, body = (number, tuple(line[3:].split())), []
            else:
                yield Fence(chapter, opened[0], opened[1], "\n".join(body) + "\n")
                opened = None
        assert opened is None, f"{chapter}: the block that opens in line {opened} is never closed"


def fences_of(language: str, *kinds: str) -> list[Fence]:
    """Return the blocks of a language, of the given kinds only where some are given."""
    return [fence for fence in fences() if fence.language == language and (not kinds or fence.kind in kinds)]


def example_id(fence: Fence) -> str:
    return f"{fence.chapter}:{fence.line}"


def section(chapter: str, heading: str) -> str:
    """Return the text under a heading, up to the next one of the same or a higher level."""
    lines, found, level = [], False, 0
    for line in CHAPTERS[chapter].splitlines():
        marks = re.match(r"(#+) (.*)", line)
        if marks and found and len(marks[1]) <= level:
            break
        if found:
            lines.append(line)
        if marks and marks[2].strip("`") == heading:
            found, level = True, len(marks[1])
    assert found, f"{chapter} has no heading {heading!r}"
    return "\n".join(lines)
