"""A small shell for the examples of the manual: it runs `hilkit` in this process and compares what it prints.

What it understands: ``hilkit ...``, ``echo TEXT | hilkit ...``, ``echo $?`` (the exit code), quotes, and
``*`` in the name of a file. Lines of expected output: ``...`` alone stands for any lines, within a line for
any text; how many spaces stand somewhere does not count.
"""

from __future__ import annotations

import io
import os
import re
import shlex
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path

from hilkit.cli import main

__all__ = ["Command", "agrees", "commands", "run"]


@dataclass
class Command:
    """One command of an example and the lines that it is said to print."""

    text: str
    expected: list[str] = field(default_factory=list)


def commands(block: str) -> list[Command]:
    """Take a console block apart; a command that ends in a backslash goes on in the next line."""
    found: list[Command] = []
    for line in block.splitlines():
        if found and found[-1].text.endswith("\\"):
            found[-1].text = f"{found[-1].text[:-1].rstrip()} {line.strip()}"
        elif line.startswith("$ "):
            found.append(Command(line[2:].strip()))
        else:
            assert found, f"a console block begins with a command: {line!r}"
            found[-1].expected.append(line)
    return found


def run(command: str, last_code: int) -> tuple[str, int]:
    """Run a command in the current folder; return what it printed on both streams, and its exit code."""
    if command == "echo $?":
        return f"{last_code}\n", last_code
    typed = ""
    if found := re.fullmatch(r"echo (.+?) \| (hilkit .*)", command):
        typed, command = shlex.split(found[1])[0] + "\n", found[2]
    program, *arguments = shlex.split(command)
    assert program == "hilkit", f"only hilkit runs here, not {program}"
    screen = io.StringIO()
    before, sys.stdin = sys.stdin, io.StringIO(typed)
    try:
        with redirect_stdout(screen), redirect_stderr(screen):
            main([name for argument in arguments for name in _globbed(argument)])
    except SystemExit as left:
        return screen.getvalue().replace(os.sep, "/"), int(left.code or 0)
    finally:
        sys.stdin = before
    raise AssertionError("main() always leaves by SystemExit")


def _globbed(argument: str) -> list[str]:
    found = sorted(str(path) for path in Path().glob(argument)) if "*" in argument else []
    return found or [argument]


def agrees(expected: list[str], printed: str) -> bool:
    """Return whether a command printed what the example shows."""
    lines = [_spaced(line) for line in expected]
    while lines and not lines[-1]:
        lines.pop()
    pattern = "".join(
        r"(?:.*\n)*?" if line.strip() == "..." else ".*".join(map(re.escape, line.split("..."))) + "\n"
        for line in lines
    )
    seen = "".join(f"{_spaced(line)}\n" for line in printed.rstrip().splitlines())
    return re.fullmatch(pattern, seen) is not None


def _spaced(line: str) -> str:
    return re.sub(r"\s+", " ", line.rstrip())
