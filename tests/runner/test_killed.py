"""A run that is killed (-9) at any moment keeps every reading that was told of, and can be resumed."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from hilkit.errors import ExitCode
from hilkit.record import DATABASE, Record, differences
from tests.runner.broken import SEED, SmallNight, small_night

ROOT = Path(__file__).parents[2]

PLAN = """\
plan: many readings
bench: simulated_pier
vary: {channel: [1, 2]}
steps:
  - bring_up: {channel: $channel, carrier: 1842.5 MHz, reference: external}
  - power_sweep: {channel: $channel, carrier: 1842.5 MHz, offset: 7.5 MHz, from: 0 dB, to: 2 dB, step: 1 dB}
"""

CHILD = """
import os, sys
from pathlib import Path
from hilkit.record import ReadingTaken
from tests.runner.broken import laid_night
night = laid_night(Path(sys.argv[1]))
def listener(event):
    if isinstance(event, ReadingTaken):
        os.write(1, b".")
night.run(sys.argv[2], listener=listener)
"""


def killed_after(lab: SmallNight, name: str, readings: int, draw: random.Random) -> int:
    """Kill a run once it has told of so many readings, and a random while later; return how many it told."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(lab.folder), name], cwd=ROOT, stdout=subprocess.PIPE
    )
    assert child.stdout is not None
    with child.stdout as told:
        count = len(told.read(readings))
        for _ in range(draw.randrange(20_000)):  # up to a few ms, in the middle of whatever comes next
            pass
        child.kill()
        count += len(told.read())
    child.wait()
    return count


def check(lab: SmallNight, name: str, draw: random.Random) -> None:
    whole = sum(len(step.readings) for step in Record.open(lab.folder / "whole").steps)
    told = killed_after(lab, name, draw.randrange(1, whole - 10), draw)  # it must not end before it is killed
    stored = Record.open(lab.folder / name)
    with sqlite3.connect(lab.folder / name / DATABASE) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    # The reading after the last one told of may have been written, and killed before it was told.
    assert told <= sum(len(step.readings) for step in stored.steps) <= told + 1
    assert not stored.ended


def check_resumed(lab: SmallNight, name: str) -> None:
    code, again = lab.run(f"{name}-again", source=Record.open(lab.folder / name))
    assert code is ExitCode.PASSED
    assert differences(Record.open(lab.folder / "whole"), again) == []


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> SmallNight:
    lab = small_night(tmp_path_factory.mktemp("killed"), drift=False, plan=PLAN)
    lab.run("whole")
    return lab


def test_killed_at_a_random_moment_no_reading_is_lost(lab: SmallNight) -> None:
    draw = random.Random(SEED)
    for number in range(2):
        check(lab, f"few-{number}", draw)
    check_resumed(lab, "few-1")


@pytest.mark.long
def test_killed_at_200_random_moments_no_reading_is_lost_and_each_can_be_resumed(lab: SmallNight) -> None:
    draw = random.Random(SEED + 1)
    for number in range(200):
        check(lab, f"many-{number}", draw)
        check_resumed(lab, f"many-{number}")
