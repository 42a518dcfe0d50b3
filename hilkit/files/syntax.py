"""The YAML parser's complaints in words of our own."""

from __future__ import annotations

import re

import yaml

from hilkit.errors import Problem
from hilkit.files.text import Source

__all__ = ["syntax_problem"]

_UNCLOSED = "the quote that opens here is never closed"

# Pattern of the parser's words (both of its builds) to message and next step, first match wins.
_WORDS = (
    (
        "mapping values are not allowed",
        "a colon makes a key here, where no key can stand",
        "indent like the line above, keep one key a line, and put a text that holds ': ' in quotes",
    ),
    (
        "(entries|keys) are not allowed",
        "a list item (- ) or a key mark (? ) cannot stand here",
        "start it on a line of its own, or put a text that starts so in quotes",
    ),
    ("cannot start any token", "a text cannot start with this character", "put the text in quotes"),
    (
        "quoted scalar.*(end of stream|document)",
        _UNCLOSED,
        "close it on the same line",
    ),
    ("flow sequence", "a list in [ ] goes wrong here", "write [first, second] and close the bracket"),
    (
        "flow mapping",
        "a mapping in { } goes wrong here",
        "write {key: value, key: value} and close the brace",
    ),
    ("block node", "this cannot start a value", "put a text in quotes; check for a stray , ] or }"),
    (
        "flow node",
        "a value is missing here",
        "close the bracket or brace after the last value, without a comma",
    ),
    (
        "block collection",
        "a list item (-) or the end of the list is needed here",
        "indent all lines of a list alike",
    ),
    (
        "block mapping",
        "a key is needed here",
        "indent the keys of one level alike; a text after a closing quote or bracket is not allowed",
    ),
    (
        "escape|hexa?decimal",
        "this escape is not known",
        "use 'single quotes', where a backslash is just a backslash",
    ),
    ("simple key|expected ':'", "a colon and a space are missing after this key", "write key: value"),
    ("document start", "nothing can follow here", "one document in a file; check for a bracket too many"),
    (
        "alias|anchor",
        "an anchor or alias (& or *) is not allowed",
        "put a text that starts with it in quotes",
    ),
    ("tag|handle", "a tag (!) is not allowed", "put a text that starts with ! in quotes"),
    ("directive|incompatible|version", "a directive (%) is not allowed", "delete the line; this is YAML 1.2"),
    ("nesting depth", "this is nested too deep", "write it flatter"),
    (
        "indentation|block scalar",
        "the text block after | or > goes wrong here",
        "indent its lines with spaces",
    ),
)


def syntax_problem(source: Source, error: yaml.YAMLError) -> Problem:
    """Return the problem for a text that is no YAML."""
    if not isinstance(error, yaml.MarkedYAMLError):
        return source.problem(0, 0, "this is no text that YAML allows", seen=str(error).splitlines()[0])
    words = f"{error.context or ''} {error.problem or ''}"
    message, next_step = next(
        ((ours, step) for theirs, ours, step in _WORDS if re.search(theirs, words)),
        ("this is no YAML", f"the parser says: {words.strip()}"),
    )
    mark = error.problem_mark or error.context_mark
    if message == _UNCLOSED:
        mark = error.context_mark or mark
    line, column = (mark.line, mark.column) if mark else (0, 0)
    line, column = _on_text(source, line, column)
    opened = error.context_mark
    if opened and opened.line < line and re.search("flow (sequence|mapping)", words):
        message += f" (it opens in line {opened.line + 1})"
    if "mapping values" in words and line and (glued := _glued_key(source.lines[line - 1])):
        line -= 1
        column = source.lines[line].index(":")
        message = "a space is missing after this colon"
        next_step = f"write {glued}"
    return source.problem(line, column, message, next_step=next_step)


def _on_text(source: Source, line: int, column: int) -> tuple[int, int]:
    """Move a mark that stands behind the last line onto the end of the text."""
    if line < len(source.lines) and source.lines[line].strip():
        return line, column
    while line > 0 and (line >= len(source.lines) or not source.lines[line].strip()):
        line -= 1
    return line, max(0, len(source.lines[line].rstrip()) - 1)


def _glued_key(line: str) -> str:
    """Return ``key: value`` for a line like ``key:value``, else an empty text."""
    found = re.fullmatch(r"\s*(?:- )?([A-Za-z_][\w ]*):(\S.*)", line)
    return f"{found[1]}: {found[2].strip()}" if found else ""
