"""A run that broke off goes on where it was, and its record is that of an unbroken run apart from times."""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path

import pytest

from hilkit.errors import ExitCode
from hilkit.record import (
    Event,
    Outcome,
    ReadingTaken,
    Record,
    StepEnded,
    StoredRun,
    differences,
)
from tests.runner.broken import SmallNight, as_killed, small_night


@dataclass
class Night:
    """An unbroken run, with what a kill would have left of it: at each end of a step, and in between."""

    lab: SmallNight
    whole: StoredRun
    ends: list[Path]
    between: list[Path]


def record_with_snapshots(lab: SmallNight, draw: random.Random) -> Night:
    ends: list[Path] = []
    between: list[Path] = []

    def listener(event: Event) -> None:
        here = lab.folder / f"killed-{len(ends)}-{len(between)}"
        if isinstance(event, StepEnded):
            ends.append(as_killed(lab.folder / "whole", here))
        elif isinstance(event, ReadingTaken) and draw.random() < 0.04:
            between.append(as_killed(lab.folder / "whole", here))

    code, whole = lab.run("whole", listener=listener)
    assert code is ExitCode.PASSED
    assert whole.complete
    return Night(lab, whole, ends, between)


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Night:
    return record_with_snapshots(
        small_night(tmp_path_factory.mktemp("still"), drift=False), random.Random(20261125)
    )


def test_broken_at_any_end_of_a_step_the_record_is_that_of_an_unbroken_run(night: Night) -> None:
    assert len(night.ends) == 8
    for number, killed in enumerate(night.ends):
        code, again = night.lab.run(f"end-{number}", source=Record.open(killed))
        assert code is ExitCode.PASSED
        assert differences(night.whole, again) == []


def test_broken_inside_a_step_the_whole_step_is_done_again(night: Night) -> None:
    assert len(night.between) >= 3
    for number, killed in enumerate(night.between[:3]):
        source = Record.open(killed)
        at_work = [step.number for step in source.steps if step.outcome is Outcome.AT_WORK]
        assert len(at_work) == 1
        code, again = night.lab.run(f"between-{number}", source=source)
        assert code is ExitCode.PASSED
        assert differences(night.whole, again) == []
        assert again.steps[at_work[0] - 1].taken_in == ""
