"""A plan runs in order, every reading is judged and kept, and all ends in a record and an exit code."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.errors import ExitCode
from hilkit.readings import Verdict
from hilkit.record import Event, Outcome, ReadingTaken, RunBegun, RunEnded, StepBegun, StepEnded
from tests.runner.trial import go

TWO = "vary: {channel: [1, 2]}"


def test_every_combination_runs_all_steps_in_order(tmp_path: Path) -> None:
    done = go(tmp_path, "  - prepare: {channel: $channel}\n  - look: {channel: $channel}", vary=TWO)
    assert done.code is ExitCode.PASSED
    ran = [(step.step, dict(step.vary)["channel"]) for step in done.stored.steps]
    assert ran == [("prepare", "1"), ("look", "1"), ("prepare", "2"), ("look", "2")]
    assert all(step.outcome is Outcome.DONE for step in done.stored.steps)


def test_events_come_in_the_order_of_the_run_and_the_record_hears_them_first(tmp_path: Path) -> None:
    heard: list[Event] = []
    kept: list[int] = []

    def listener(event: Event) -> None:
        from hilkit.record import Record

        heard.append(event)
        kept.append(sum(len(step.readings) for step in Record.open(tmp_path / "run").steps))

    done = go(tmp_path, "  - look: {value: -3}", listeners=[listener])
    names = [type(event).__name__ for event in heard if not type(event).__name__.startswith(("Fact", "Note"))]
    assert names == [
        "RunBegun",
        "CombinationBegun",
        "StepBegun",
        "ReadingTaken",
        "ReadingTaken",
        "StepEnded",
        "RunEnded",
    ]
    readings = [number for event, number in zip(heard, kept, strict=True) if isinstance(event, ReadingTaken)]
    assert readings == [1, 2]
    assert done.stored.ended


@pytest.mark.parametrize(
    ("limit", "verdict", "code"),
    [
        ("{max: 0 dBm}", Verdict.PASS, ExitCode.PASSED),
        ("{max: -5 dBm}", Verdict.FAIL, ExitCode.LIMIT_FAILED),
    ],
)
def test_a_reading_is_judged_by_its_limit(
    tmp_path: Path, limit: str, verdict: Verdict, code: ExitCode
) -> None:
    done = go(tmp_path, f"  - look: {{value: -3, limits: {{level: {limit}}}}}")
    reading = done.stored.steps[0].readings[0]
    assert (reading.verdict, done.code) == (verdict, code)
    assert reading.limit.startswith("max")
    assert done.stored.steps[0].verdict is verdict


def test_a_bound_that_cannot_decide_is_inconc_and_exit_6(tmp_path: Path) -> None:
    done = go(tmp_path, "  - look: {wait: 2, limits: {after: {max: 1 s}}}")
    assert done.code is ExitCode.INCONCLUSIVE
    assert done.stored.steps[0].verdict is Verdict.INCONC


def test_fail_outweighs_inconc_and_error_outweighs_fail(tmp_path: Path) -> None:
    inconc = "  - look: {id: a, limits: {after: {max: 0.5 s}}}\n"
    fail = "  - look: {id: b, limits: {level: {max: -5 dBm}}}\n"
    error = "  - look: {id: c, trouble: measurement}\n"
    for number, (steps, code) in enumerate(
        [(inconc + fail, ExitCode.LIMIT_FAILED), (inconc + fail + error, ExitCode.BENCH)]
    ):
        folder = tmp_path / str(number)
        folder.mkdir()
        assert go(folder, steps).code is code


@pytest.mark.parametrize(
    ("trouble", "reason"),
    [
        ("refused", "analyser: -222,'Data out of range'\n  next: ask for less"),
        ("measurement", "the tone is not there"),
    ],
)
def test_an_instrument_fault_is_an_error_and_the_next_step_goes_on(
    tmp_path: Path, trouble: str, reason: str
) -> None:
    done = go(tmp_path, f"  - look: {{id: a, trouble: {trouble}}}\n  - look: {{id: b}}")
    assert done.outcomes == ["a error error", "b done none"]
    assert done.stored.steps[0].reason == reason
    assert len(done.stored.steps[0].readings) == 1
    assert done.code is ExitCode.BENCH


def test_a_failure_keeps_the_last_lines_of_its_instrument(tmp_path: Path) -> None:
    done = go(tmp_path, "  - look: {trouble: refused}")
    step = done.stored.steps[0]
    assert step.instrument == "analyser"
    assert 0 < len(step.transcript) <= 10
    assert all(" analyser " in line for line in step.transcript)
    transcript = (tmp_path / "run" / "transcript.txt").read_text(encoding="utf-8")
    assert step.transcript[-1] in transcript


def test_steps_that_build_on_a_state_that_was_not_reached_are_skipped(tmp_path: Path) -> None:
    steps = "  - prepare: {channel: $channel, trouble: $trouble}\n  - look: {id: a}\n  - look: {id: b}"
    done = go(tmp_path, steps, vary="vary: {channel: [1], trouble: [refused, none]}")
    assert done.outcomes == [
        "prepare error error",
        "a skipped none",
        "b skipped none",
        "prepare done none",
        "a done none",
        "b done none",
    ]
    assert done.stored.steps[1].reason.startswith(
        "prepare, which establishes the state for it, broke off: analyser:"
    )
    assert done.code is ExitCode.BENCH


def test_a_missed_limit_of_a_state_step_skips_nothing(tmp_path: Path) -> None:
    done = go(tmp_path, "  - prepare: {value: 1, limits: {level: {max: 0 dBm}}}\n  - look: {}")
    assert done.outcomes == ["prepare done fail", "look done none"]


def test_a_limited_reading_that_never_came_is_an_error(tmp_path: Path) -> None:
    done = go(tmp_path, "  - look: {trouble: never, limits: {after: {max: 5 s}}}")
    assert done.outcomes == ["look done error"]
    assert done.stored.steps[0].reason == "after has a limit (max 5 s) but was not read"
    assert done.code is ExitCode.BENCH


@pytest.mark.parametrize("trouble", ["defect", "undeclared"])
def test_a_defect_of_a_procedure_is_one_sentence_with_the_traceback_in_a_file(
    tmp_path: Path, trouble: str
) -> None:
    done = go(tmp_path, f"  - look: {{id: a, trouble: {trouble}}}\n  - look: {{id: b}}")
    assert done.outcomes == ["a error error", "b done none"]
    assert done.stored.steps[0].reason.startswith("the procedure look has a defect: ")
    assert "Traceback" not in done.stored.steps[0].reason
    assert "Traceback" in (tmp_path / "run" / "traceback.txt").read_text(encoding="utf-8")


def test_facts_and_notes_are_kept_with_their_step(tmp_path: Path) -> None:
    done = go(tmp_path, "  - look: {}")
    assert done.stored.steps[0].facts == (("unit", "PH2-000417"),)
    assert done.stored.steps[0].notes == ("looking",)
    assert {"analyser", "pad", "relay"} <= {name for name, _ in done.stored.facts}


def test_the_run_reports_bench_time_not_wall_time(tmp_path: Path) -> None:
    done = go(tmp_path, "  - look: {wait: 3600}")
    assert done.stored.steps[0].took_s == pytest.approx(3600, rel=0.01)
    assert done.stored.bench_time_s > 3600
    assert done.stored.steps[0].expected_s == 3600


def test_a_listener_that_fails_does_no_harm(tmp_path: Path) -> None:
    calls = []

    def broken(event: Event) -> None:
        calls.append(event)
        raise BrokenPipeError

    done = go(tmp_path, "  - look: {}", listeners=[broken])
    assert done.code is ExitCode.PASSED
    assert len(calls) == 1


def test_the_record_holds_what_is_needed_to_understand_the_run_later(tmp_path: Path) -> None:
    stored = go(tmp_path, "  - look: {value: -3, limits: {level: {max: 0 dBm}}}", only=["look"]).stored
    assert stored.plan_text.startswith("plan: a trial")
    assert len(stored.plan_digest) == 64
    assert stored.bench_text and stored.bench_name == "simulated pier"
    assert stored.simulated and stored.seed == "1"
    assert stored.chosen == "--only look"
    assert stored.host and stored.python and stored.hilkit_version
    assert stored.steps[0].settings["value"] == -3
    assert stored.steps[0].limits == {"level": ["max 0 dBm"]}


def test_the_first_event_knows_the_plan_and_the_last_the_exit_code(tmp_path: Path) -> None:
    heard: list[Event] = []
    go(tmp_path, "  - look: {}\n  - look: {id: b, wait: 4}", listeners=[heard.append])
    first, last = heard[0], heard[-1]
    assert isinstance(first, RunBegun) and first.expected_s == 5.0
    assert isinstance(last, RunEnded) and last.exit_code is ExitCode.PASSED
    begun = [event.planned.step for event in heard if isinstance(event, StepBegun)]
    ended = [event.planned.step for event in heard if isinstance(event, StepEnded)]
    assert begun == ended == ["look", "b"]


def test_a_series_that_misses_its_limit_is_told_by_its_worst_member(tmp_path: Path) -> None:
    done = go(tmp_path, "  - look: {series: [1, 3, 2], limits: {steps: {max: 0.5 dB}}}")
    assert (
        done.stored.steps[0].reason
        == "steps [1]: 3 dB misses max 0.5 dB by 2.5 dB; uncertainty not stated; and 2 more of this series"
    )


def test_trouble_without_an_instrument_keeps_the_lines_of_the_one_that_spoke_last(tmp_path: Path) -> None:
    done = go(tmp_path, "  - look: {trouble: measurement}")
    assert done.stored.steps[0].instrument == "radio"
