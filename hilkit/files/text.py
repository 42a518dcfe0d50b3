"""From bytes on disk to lines of text, with plain words for whatever is not a text file."""

from __future__ import annotations

import re
from pathlib import Path

from hilkit.errors import FileProblems, Problem

__all__ = ["MAX_BYTES", "MOST_MISTAKES", "Source", "read_source", "source_of_text"]

MAX_BYTES = 1_000_000
"""Largest file that is read; a file that a person wrote is far below it."""

MOST_MISTAKES = 100
"""Mistakes of one file that are shown at once; who has more will run the check again anyway."""

_WIDEST = 200
_LINE_END = re.compile(r"\r\n|\r|\n")
_ODD_MARKS = {"\x85": "U+0085", "\u2028": "U+2028", "\u2029": "U+2029", "\ufeff": "U+FEFF"}
_ENCODINGS = (
    (b"\xff\xfe", "UTF-16"),
    (b"\xfe\xff", "UTF-16"),
    (b"\xef\xbb\xbf", "UTF-8 with a byte order mark"),
)
_SAVE = "save it as UTF-8 without a byte order mark"


class Source:
    """The text of one file, its name for messages, and its lines."""

    def __init__(self, name: str, text: str, path: Path | None = None) -> None:
        self.name = name
        self.text = text
        self.path = path
        self.lines = _LINE_END.split(text)

    def problem(
        self,
        line: int,
        column: int,
        message: str,
        *,
        width: int = 1,
        seen: str = "",
        allowed: str = "",
        next_step: str = "",
    ) -> Problem:
        """Return a problem at a place counted from 0; its mark ends with the line at the latest."""
        shown = self._shown(line, column)
        return Problem(
            file=self.name,
            line=line + 1,
            column=column + 1,
            message=message,
            line_text=shown,
            width=max(1, min(width, len(shown) - column)),
            seen=seen,
            allowed=allowed,
            next_step=next_step,
        )

    def _shown(self, line: int, column: int) -> str:
        """Return a line for a message; nothing of one so long that the mark would be lost on a screen."""
        if line >= len(self.lines) or column >= _WIDEST:
            return ""
        text = self.lines[line].replace("\t", " ")
        return text if len(text) <= _WIDEST else text[: _WIDEST - 3] + "..."


def read_source(path: Path) -> Source:
    """Read a file; ``FileProblems`` says what is wrong with one that is no readable text."""
    name = str(path)
    try:
        if path.is_dir():
            raise _whole(name, "this is a folder, not a file", next_step="name a file in it")
        if path.exists() and not path.is_file():
            raise _whole(name, "this is no ordinary file", allowed="a text in YAML")
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise _whole(name, "there is no such file", next_step="check the name and the folder") from None
    except PermissionError:
        raise _whole(
            name, "this file may not be read", next_step="ask its owner for the right to read it"
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _whole(name, f"this file cannot be read: {reason}") from None
    return Source(name, _decoded(name, raw), path)


def source_of_text(text: str, name: str) -> Source:
    """Return the source of a text that is in memory already, with the same checks as a file."""
    return Source(name, _decoded(name, text.encode("utf-8", errors="surrogatepass")))


def _decoded(name: str, raw: bytes) -> str:
    if len(raw) > MAX_BYTES:
        raise _whole(name, "this file is too large", allowed=f"at most {MAX_BYTES} bytes")
    if not raw.strip():
        raise _whole(name, "this file is empty", next_step="see 'hilkit manual' for what belongs in it")
    for mark, encoding in _ENCODINGS:
        if raw.startswith(mark):
            raise _whole(
                name,
                "this file starts with a byte order mark",
                seen=encoding,
                allowed="UTF-8",
                next_step=_SAVE,
            )
    if b"\x00" in raw:
        raise _whole(name, "this is a binary file", allowed="a text in YAML")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise FileProblems([_not_utf8(name, raw, error.start)]) from None
    source = Source(name, text)
    problems = _odd_characters(source) + _tabs(source)
    if problems:
        raise FileProblems(problems)
    return text


def _whole(
    name: str, message: str, *, seen: str = "", allowed: str = "", next_step: str = ""
) -> FileProblems:
    problem = Problem(
        file=name, line=1, column=1, message=message, seen=seen, allowed=allowed, next_step=next_step
    )
    return FileProblems([problem])


def _not_utf8(name: str, raw: bytes, start: int) -> Problem:
    before = raw[:start].decode("utf-8")
    line = len(_LINE_END.split(before)) - 1
    column = len(_LINE_END.split(before)[-1])
    source = Source(name, raw.decode("utf-8", errors="replace"))
    return source.problem(
        line,
        column,
        "this is not UTF-8 text",
        seen=f"byte 0x{raw[start]:02X}",
        allowed="UTF-8",
        next_step=_SAVE,
    )


def _odd_characters(source: Source) -> list[Problem]:
    for number, line in enumerate(source.lines):
        for column, char in enumerate(line):
            if char in _ODD_MARKS:
                return [
                    source.problem(
                        number,
                        column,
                        f"an invisible character ({_ODD_MARKS[char]}) stands here",
                        next_step="delete it",
                    )
                ]
            if (char < " " and char != "\t") or "\x7f" <= char < "\xa0" or char in "\ufffe\uffff":
                return [
                    source.problem(
                        number,
                        column,
                        "this is no text: a control character stands here",
                        seen=f"U+{ord(char):04X}",
                        allowed="a text in YAML",
                    )
                ]
    return []


def _tabs(source: Source) -> list[Problem]:
    found = []
    for number, line in enumerate(source.lines):
        indent = line[: len(line) - len(line.lstrip(" \t"))]
        rest = line[len(indent) :]
        if "\t" in indent and rest and not rest.startswith("#"):
            found.append(
                source.problem(
                    number,
                    indent.index("\t"),
                    "this line is indented with a tab",
                    seen="a tab",
                    allowed="spaces, the same number for lines of one level",
                    next_step="set the editor to write spaces for the tab key",
                )
            )
    return found[:MOST_MISTAKES]
