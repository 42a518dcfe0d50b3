"""Whatever ended a run, it goes on from there: interrupted, errored, not safe, stopped at the very end."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hilkit.errors import ExitCode, LinkError, MeasurementError, NothingRan, SafetyStop
from hilkit.readings import Measured, Verdict
from hilkit.record import Event, Outcome, Record, StepBegun, StoredRun
from hilkit.runner import Choice, Resumption, run
from hilkit.safety import SafeState
from tests.runner.trial import PROCEDURES, Trial, TrialSettings, laid

STEPS = """\
  - prepare: {channel: $channel, rf: true}
  - look: {id: first, channel: $channel, value: -10}
  - frail:
      id: second
      channel: $channel
      value: -12
      limits: {level: {max: 0 dB, relative_to: {reading: first.level}}}
  - prepare: {id: last, channel: $channel}"""
VARY = "vary: {channel: [1, 2]}"


class Frail(Trial):
    """Does what ``look`` does, if nothing is wrong with it."""

    name = "frail"
    summary = "breaks off while something is wrong"
    establishes_state = False
    wrong: BaseException | None = None

    def measure(self, session: Any, settings: TrialSettings) -> Iterator[Measured]:
        for measured in super().measure(session, settings):
            yield measured
            if Frail.wrong is not None:
                raise Frail.wrong


@pytest.fixture(autouse=True)
def frail(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Frail, "wrong", None)
    monkeypatch.setitem(PROCEDURES, "frail", Frail())


def go_on(
    folder: Path, name: str, source: StoredRun | None = None, listener: Callable[[Event], None] | None = None
) -> tuple[ExitCode, StoredRun]:
    with laid(folder, STEPS, vary=VARY) as table:
        resume = None
        if source is not None:
            resume = Resumption.of(source, table.plan, table.bench, table.lab, choice=Choice(), seed=1)
        out = folder / name
        out.mkdir()
        code = run(
            table.plan,
            table.bench,
            clock=table.clock,
            resource_manager=table.manager,
            folder=out,
            lab=table.lab,
            listeners=[listener] if listener else [],
            seed=1,
            resume=resume,
        )
        return code, Record.open(out)


WRONG: dict[str, tuple[BaseException, ExitCode]] = {
    "the signal": (MeasurementError("the tone is not there"), ExitCode.BENCH),
    "a link": (LinkError("no answer", instrument="analyser"), ExitCode.BENCH),
    "safety": (SafetyStop("41 dBm at the pad input"), ExitCode.SAFETY),
    "a person": (KeyboardInterrupt(), ExitCode.INTERRUPTED),
    "a defect": (ZeroDivisionError("division by zero"), ExitCode.BENCH),
}


@pytest.mark.parametrize("what", WRONG)
def test_a_step_that_broke_off_is_done_again_with_what_it_needs(
    tmp_path: Path, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong, code = WRONG[what]
    monkeypatch.setattr(Frail, "wrong", wrong)
    ended, broken = go_on(tmp_path, "broken")
    assert ended is code
    monkeypatch.setattr(Frail, "wrong", None)
    ended, again = go_on(tmp_path, "again", broken)
    assert ended is ExitCode.PASSED
    assert [step.outcome for step in again.steps] == [Outcome.DONE] * 8
    carried = [step.step for step in again.steps[:4] if step.taken_in]
    # where the run itself went on, its last step was finished and its first combination is set up again
    assert carried == (["first", "last"] if broken.steps[3].finished else ["first"])
    level = next(reading for reading in again.steps[2].readings if reading.key.name == "level")
    assert level.verdict is Verdict.PASS
    assert level.comparison is not None and level.comparison.value == pytest.approx(-2)


def test_a_run_whose_bench_was_not_safe_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    left = iter([[], ["RF of channel 1 off: no answer; switch the radio's supply off"]])
    with monkeypatch.context() as patch:
        reach = "hilkit.runner.bench_safety.reach_safe"
        patch.setattr(reach, lambda *_, **__: SafeState(not_safe=next(left)))
        patch.setattr(Frail, "wrong", SafetyStop("41 dBm at the pad input"))
        ended, broken = go_on(tmp_path, "broken")
    assert ended is ExitCode.NOT_SAFE
    ended, again = go_on(tmp_path, "again", broken)
    assert ended is ExitCode.PASSED
    assert again.not_safe == () and again.complete


def test_a_run_that_was_killed_after_its_last_step_is_brought_to_its_end(tmp_path: Path) -> None:
    ended, whole = go_on(tmp_path, "whole")
    assert ended is ExitCode.PASSED
    killed = replace(whole, ended_utc=None, exit_code=ExitCode.BENCH)
    begun: list[Event] = []
    ended, again = go_on(
        tmp_path, "again", killed, lambda event: begun.append(event) if isinstance(event, StepBegun) else None
    )
    assert ended is ExitCode.PASSED
    assert begun == []
    assert again.complete
    with pytest.raises(NothingRan):
        go_on(tmp_path, "third", again)


def test_a_missed_limit_is_a_result_and_not_taken_again(tmp_path: Path) -> None:
    ended, whole = go_on(tmp_path, "whole")
    failed = replace(whole.steps[1], verdict=Verdict.FAIL)
    source = replace(whole, ended_utc=None, steps=(whole.steps[0], failed, *whole.steps[2:]))
    ended, _ = go_on(tmp_path, "again", source)
    assert ended is ExitCode.LIMIT_FAILED
