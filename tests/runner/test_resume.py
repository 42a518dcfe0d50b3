"""A run that broke off goes on where it was, and its record is that of an unbroken run apart from times."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
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
from tests.runner.broken import PLAN, SmallNight, as_killed, small_night


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


def test_a_run_that_a_restarted_run_goes_on_with_is_named_to_its_beginning(night: Night) -> None:
    """Killed, resumed, killed again after its first step, resumed again."""
    lab, killed = night.lab, []

    def listener(event: Event) -> None:
        if isinstance(event, StepEnded) and not killed:
            killed.append(as_killed(lab.folder / "once", lab.folder / "once-killed"))

    first = Record.open(night.ends[4])
    lab.run("once", source=first, listener=listener)
    code, twice = lab.run("twice", source=Record.open(killed[0]))
    assert code is ExitCode.PASSED
    assert differences(night.whole, twice) == []
    assert [Path(each.folder) for each in twice.resumed] == [first.folder, killed[0]]
    # bring_up of the second combination was done again, for tone_placement needs its state
    taken_in = [Path(step.taken_in) if step.taken_in else None for step in twice.steps]
    assert taken_in == [first.folder] * 4 + [None] * 4
    assert any("resumed from" in note for note in twice.notes)
    times = [reading.at_s for step in twice.steps for reading in step.readings]
    assert times == sorted(times)


@pytest.mark.parametrize(
    "ends", [(5, 7), pytest.param(range(8), marks=pytest.mark.long)], ids=("some", "all")
)
def test_broken_at_the_end_of_a_step_the_record_is_that_of_an_unbroken_run(
    night: Night, ends: Sequence[int], request: pytest.FixtureRequest
) -> None:
    assert len(night.ends) == 8
    for number in ends:
        killed = night.ends[number]
        code, again = night.lab.run(f"{request.node.callspec.id}-{number}", source=Record.open(killed))
        assert code is ExitCode.PASSED
        assert differences(night.whole, again) == []


def test_broken_inside_a_step_the_whole_step_is_done_again(night: Night) -> None:
    assert len(night.between) >= 3
    for number, killed in enumerate(night.between[-1:]):
        source = Record.open(killed)
        at_work = [step.number for step in source.steps if step.outcome is Outcome.AT_WORK]
        assert len(at_work) == 1
        code, again = night.lab.run(f"between-{number}", source=source)
        assert code is ExitCode.PASSED
        assert differences(night.whole, again) == []
        assert again.steps[at_work[0] - 1].taken_in == ""


def test_with_a_warm_up_the_values_are_equal_within_their_uncertainty_and_the_record_says_so(
    tmp_path: Path,
) -> None:
    plan = PLAN[: PLAN.index("  - power_sweep")]
    night = record_with_snapshots(small_night(tmp_path, drift=True, plan=plan), random.Random(1))
    code, again = night.lab.run("again", source=Record.open(night.ends[1]))
    assert code is ExitCode.PASSED
    assert differences(night.whole, again, within_uncertainty=True) == []
    assert any("drifts with time or temperature" in note for note in again.notes)


def test_two_records_that_differ_in_one_reading_are_told_apart(night: Night) -> None:
    changed = night.whole.steps[1].readings[0]
    other = replace(changed, value=changed.value + 1e-12)
    steps = [replace(night.whole.steps[1], readings=(other, *night.whole.steps[1].readings[1:]))]
    run = replace(night.whole, steps=(night.whole.steps[0], *steps, *night.whole.steps[2:]))
    told = differences(night.whole, run)
    assert len(told) == 1 and str(changed.key) in told[0] and "value" in told[0]
    far = replace(other, value=changed.value + 100)
    run = replace(run, steps=(run.steps[0], replace(steps[0], readings=(far,)), *run.steps[2:]))
    assert any(
        "further apart than" in text or "readings and" in text
        for text in differences(night.whole, run, within_uncertainty=True)
    )
