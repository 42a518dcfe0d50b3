"""``hilkit --help`` against an interpreter that imports click."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator

from tests.speed.figures import Figure, median, pairs

HELP = "import sys; from hilkit.cli import main; sys.exit(main(['--help']))"
CLICK = "import click"
BARE = "pass"


def seconds(code: str) -> float:
    """Return the wall time of a new interpreter that runs ``code``."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield the ratio and what it is made of."""
    seconds(HELP), seconds(CLICK)  # compile what is not compiled yet
    taken = pairs(lambda: seconds(HELP), lambda: seconds(CLICK), 2 if quick else 21)
    yield Figure(
        name="hilkit --help / interpreter that imports click",
        value=median([ours / theirs for ours, theirs in taken]),
        unit="x",
        target="at most 2.5",
    )
    yield Figure(name="hilkit --help", value=median([ours for ours, _ in taken]) * 1e3, unit="ms")
    yield Figure(
        name="interpreter that imports click", value=median([theirs for _, theirs in taken]) * 1e3, unit="ms"
    )
    bare = [seconds(BARE) for _ in range(2 if quick else 11)]
    yield Figure(name="interpreter alone", value=median(bare) * 1e3, unit="ms")
