"""A plan's decision rule, its relative limits and the due dates of the bench reach verdict and record."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pytest

from hilkit.errors import ExitCode
from hilkit.readings import Verdict
from hilkit.record import ReadingJudged, ReadingTaken, Record, StoredRun
from hilkit.runner import run
from tests.runner.trial import go, laid

# The trial procedure yields level, then the series steps, then after; none has a budget.
ABOVE = "  - look: {value: 5.0, limits: {level: {max: 10 dBm}}}"


def test_a_plan_without_a_rule_decides_by_simple_acceptance(tmp_path: Path) -> None:
    done = go(tmp_path, ABOVE)
    assert done.code is ExitCode.PASSED
    (level, *_) = done.stored.steps[0].readings
    assert level.decision is not None and level.decision.rule == "simple acceptance"
    assert done.stored.rule == done.stored.steps[0].rule == "simple acceptance"


def test_the_rule_of_the_plan_counts_for_every_step_and_that_of_a_step_before_it(tmp_path: Path) -> None:
    rule = "decision: {rule: guard_band, r: 0.83}"
    own = (
        "  - look: {id: own, value: 5.0, decision: {rule: simple_acceptance}, limits: {level: {max: 10 dBm}}}"
    )
    done = go(tmp_path, f"{ABOVE}\n{own}", vary=rule)
    assert [step.verdict for step in done.stored.steps] == [Verdict.INCONC, Verdict.PASS]
    assert "no uncertainty stated" in done.stored.steps[0].reason
    assert done.stored.rule == "guard band of 0.83 times the expanded uncertainty"
    assert [step.rule for step in done.stored.steps] == [done.stored.rule, "simple acceptance"]


# --- relative limits


def test_a_limit_waits_for_the_reading_that_it_is_relative_to(tmp_path: Path) -> None:
    events: list[object] = []
    first = "  - look: {id: first, value: 2.0}"
    later = (
        "  - look: {value: 5.0, limits: {level: {max: 4 dB, relative_to: {reading: first.level}},"
        " after: {min: 0 s}}}"
    )
    done = go(tmp_path, f"{first}\n{later}", listeners=[events.append])
    assert done.code is ExitCode.PASSED
    level = done.stored.steps[1].readings[0]
    assert level.comparison is not None
    assert (level.comparison.to, level.comparison.value, level.margin) == ("first.level", 3.0, 1.0)
    assert not any(isinstance(event, ReadingJudged) for event in events)


def test_a_reading_that_came_too_early_is_judged_when_the_other_comes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the record it is inconclusive until then: a run that is killed in between leaves no pass behind."""
    from hilkit.readings import ReadingSpec
    from tests.runner.trial import Trial

    seconds = (
        ReadingSpec(name="level", unit="s", meaning="first"),
        *(spec for spec in Trial.readings if spec.name != "level"),
    )
    monkeypatch.setattr(Trial, "readings", seconds)
    seen: list[tuple[str, Verdict]] = []

    def listen(event: object) -> None:
        if isinstance(event, ReadingTaken | ReadingJudged) and event.limit:
            seen.append((type(event).__name__, event.verdict))

    step = "  - look: {value: 5.0, wait: 4.0, limits: {level: {max: 2 s, relative_to: {reading: after}}}}"
    done = go(tmp_path, step, listeners=[listen])
    # 'after' is a lower bound of 4 s: 5 s less at least 4 s is at most 1 s, which keeps to 2 s.
    assert seen == [("ReadingTaken", Verdict.INCONC), ("ReadingJudged", Verdict.PASS)]
    level = done.stored.steps[0].readings[0]
    assert (level.verdict, level.margin) == (Verdict.PASS, 1.0)
    assert done.stored.steps[0].verdict is Verdict.PASS


def test_a_limit_relative_to_a_step_that_did_not_run_is_inconclusive(tmp_path: Path) -> None:
    first = "  - look: {id: first, value: 2.0}"
    second = "  - look: {value: 5.0, limits: {level: {max: 4 dB, relative_to: {reading: first.level}}}}"
    done = go(tmp_path, f"{first}\n{second}", only=["look"])
    assert done.code is ExitCode.INCONCLUSIVE
    assert done.stored.steps[0].reason == "level: first.level was not read"


# --- calibrations


def dated(folder: Path, due: dt.date, *, vary: str = "", needs: str = "signal_analyser") -> StoredRun:
    """Run one step on a bench whose analyser's calibration runs out on ``due``."""
    from hilkit.procedures.contract import Need
    from tests.runner import trial

    old = trial.Look.needs
    trial.Look.needs = (Need(instrument_class=needs),)
    try:
        with laid(folder, ABOVE, vary=vary) as table:
            bench = table.bench
            analyser = replace(bench.instruments["analyser"], calibration_due=due)
            bench = replace(bench, instruments={**bench.instruments, "analyser": analyser})
            out = folder / "run"
            out.mkdir()
            run(
                table.plan,
                bench,
                clock=table.clock,
                resource_manager=table.manager,
                folder=out,
                lab=table.lab,
                seed=1,
            )
            return Record.open(out)
    finally:
        trial.Look.needs = old


def today() -> dt.date:
    return dt.datetime.now(dt.UTC).date()


def test_an_expired_calibration_makes_verdicts_inconclusive_with_the_reason(tmp_path: Path) -> None:
    due = today() - dt.timedelta(days=2)
    stored = dated(tmp_path, due)
    assert stored.steps[0].verdict is Verdict.INCONC
    assert f"the calibration of analyser ran out on {due}; by its number it would be pass" in (
        stored.steps[0].reason
    )
    assert stored.calibration == (
        f"the calibration of analyser ran out on {due}; what is read with it is inconclusive",
    )


def test_a_plan_can_allow_it_and_its_reason_is_in_the_record(tmp_path: Path) -> None:
    due = today() - dt.timedelta(days=2)
    stored = dated(tmp_path, due, vary="allow_expired_calibration: only looking")
    assert stored.steps[0].verdict is Verdict.PASS
    assert stored.expired_allowed == "only looking"
    assert stored.calibration[0].endswith("the plan allows it: only looking")


def test_an_instrument_that_a_step_does_not_need_leaves_its_verdicts_alone(tmp_path: Path) -> None:
    stored = dated(tmp_path, today() - dt.timedelta(days=2), needs="radio")
    assert stored.steps[0].verdict is Verdict.PASS


@pytest.mark.parametrize(("days", "told"), [(0, 1), (30, 1), (31, 0)])
def test_a_calibration_is_warned_of_thirty_days_before(tmp_path: Path, days: int, told: int) -> None:
    stored = dated(tmp_path, today() + dt.timedelta(days=days))
    assert len(stored.calibration) == told
    assert stored.steps[0].verdict is Verdict.PASS
