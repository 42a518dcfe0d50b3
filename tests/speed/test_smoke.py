"""The benchmarks run and print a figure for each target; how large it is, is not judged here."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.speed.figures import Figure, median, pairs, timed_ms

ROOT = Path(__file__).parents[2]
LINE = re.compile(r"  (?P<name>.+?) +(?P<value>-?[\d.]+|nan) (?P<unit>x|ms|s|MB)(  \(target .+?\))?(  .*)?")

# What the short form has to print a target beside, by benchmark.
TARGETS = {
    "startup": ["hilkit --help / interpreter that imports click"],
    "night": ["night check, one step only: wall time", "night check, one step only: peak memory"],
    "power_sweep": ["power sweep over a socket / bare loop, the same lines"],
    "synthesis": ["read through PyVISA: 1001 points as a block"],
    "swept": ["channel power", "carrier and four adjacent channels", "occupied bandwidth"],
    "modulation": ["modulation: 1.23 M samples to EVM", "modulation: 1.23 M samples to EVM, memory"],
}


@pytest.mark.parametrize("name", TARGETS)
def test_a_benchmark_prints_its_figures(name: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.speed", "--quick", name],
        cwd=ROOT,
        capture_output=True,
        encoding="utf-8",
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    header, title, *lines = done.stdout.splitlines()
    assert header.startswith("Python ")
    assert title == name
    found = [LINE.fullmatch(line) for line in lines]
    assert all(found), lines
    aimed = [match["name"] for match in found if match and "(target " in match[0]]
    assert [one for one in TARGETS[name] if one not in aimed] == []


def test_an_unknown_benchmark_is_answered_with_those_that_there_are() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.speed", "sound"], cwd=ROOT, capture_output=True, encoding="utf-8"
    )
    assert done.returncode == 2
    assert (
        "there is no sound; there are startup, night, power_sweep, synthesis, swept, modulation"
        in done.stderr
    )


def test_pairs_are_taken_in_turns() -> None:
    order: list[str] = []

    def one(name: str) -> float:
        order.append(name)
        return float(len(order))

    assert pairs(lambda: one("a"), lambda: one("b"), 3) == [(1, 2), (4, 3), (5, 6)]
    assert order == ["a", "b", "b", "a", "a", "b"]


def test_a_figure_is_one_line_with_its_target() -> None:
    text = str(Figure(name="night", value=3.25, unit="s", target="under 10", note="longest of 3"))
    assert re.sub(" +", " ", text) == " night 3.250 s (target under 10) longest of 3"


def test_the_median_does_not_care_for_one_slow_run() -> None:
    assert median([1.0, 1.1, 90.0]) == 1.1
    middle, least = timed_ms(lambda number: math.sqrt(number), 5)
    assert 0 <= least <= middle
