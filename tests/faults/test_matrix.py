"""Whatever goes wrong on the bench, a run ends in order: RF off in time, nothing lost, no wrong pass."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from hilkit.errors import ExitCode
from hilkit.sim.faults import KINDS
from hilkit.sim.profile import Fault
from tests.faults.matrix import CASES, Case, judge, moments, undisturbed
from tests.faults.trial import WatchedClock, go

TENTH = random.Random(41).sample(CASES, len(CASES) // 10)
"""The cases that every run of the tests looks at, each at one moment drawn from its own."""


def test_every_kind_of_fault_is_in_the_matrix() -> None:
    assert {case.kind for case in CASES} == set(KINDS)


def test_the_plan_passes_where_nothing_goes_wrong() -> None:
    seen = undisturbed()
    assert seen.code is ExitCode.PASSED
    assert seen.clock.spans, "RF was on"
    assert set(seen.lines) >= {"analyser", "pad", "relay", "supply", "radio", "disk"}


@pytest.mark.parametrize("case", TENTH, ids=str)
def test_a_fault_at_a_random_moment_leaves_rf_off_and_no_wrong_reading(tmp_path: Path, case: Case) -> None:
    result = judge(case, moments(case)[0], tmp_path)
    assert result.wrong == []


@pytest.mark.long
@pytest.mark.parametrize("case", CASES, ids=str)
def test_every_fault_at_twenty_moments(tmp_path: Path, case: Case) -> None:
    for number, after in enumerate(moments(case)):
        folder = tmp_path / str(number)
        folder.mkdir()
        assert judge(case, after, folder).wrong == [], f"line {after}"


def test_the_matrix_sees_rf_that_stays_on_for_too_long() -> None:
    """Its demand could not fail otherwise."""
    clock = WatchedClock()
    clock.advance(1)
    clock.hot = lambda: True
    clock.advance(2)
    clock.advance_to(5)
    clock.hot = lambda: False
    clock.advance(1)
    assert clock.spans == [(1, 5)]
    assert [clock.off_from(at) for at in (0.5, 1, 4, 5, 5.5)] == [0.5, 5, 5, 5, 5.5]


def test_a_pad_that_restarted_in_mid_run_gives_no_reading(tmp_path: Path) -> None:
    """SCPI-99 volume 2, clause 21.8.13: settings are those of power-on."""
    lines = undisturbed().lines["pad"]
    asked = [number for number, line in enumerate(lines, 1) if line.startswith(":INPut:ATTenuation?")]
    seen = go(tmp_path, [Fault(instrument="pad", kind="reboot", after=asked[len(asked) // 2])])
    assert seen.code is ExitCode.BENCH
    assert any("restarted" in step.reason or "lost its settings" in step.reason for step in seen.stored.steps)


def test_the_time_with_rf_on_after_a_fault_counts_and_not_the_wait_after_it() -> None:
    clock = WatchedClock()
    clock.hot = lambda: True
    clock.advance(2.0)
    clock.hot = lambda: False
    clock.advance(30.0)
    assert clock.last_on_s(0.5, 32.0) == pytest.approx(1.5)
    assert clock.last_on_s(3.0, 32.0) == 0.0
