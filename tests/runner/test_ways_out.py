"""On every way out the bench is left in its safe state, and no finished reading is lost."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Any

import pytest

from hilkit.clock import VirtualClock
from hilkit.errors import ExitCode, Interrupted, RecordError
from hilkit.record import Event, Outcome, ReadingTaken, Record, StepBegun, StepEnded
from hilkit.runner import StopRequest
from hilkit.sim.profile import Fault
from tests.runner.trial import go, laid

RF = "  - look: {id: a, rf: true, trouble: %s}\n  - look: {id: b}"


@pytest.mark.parametrize(
    ("trouble", "code"),
    [
        ("none", ExitCode.PASSED),
        ("refused", ExitCode.BENCH),
        ("defect", ExitCode.BENCH),
        ("safety", ExitCode.SAFETY),
        ("interrupt", ExitCode.INTERRUPTED),
        ("keyboard", ExitCode.INTERRUPTED),
    ],
)
def test_rf_is_off_whatever_happened(tmp_path: Path, trouble: str, code: ExitCode) -> None:
    done = go(tmp_path, RF % trouble)
    assert done.code is code
    assert done.rf_on == [False, False]
    assert done.stored.not_safe == ()
    assert len(done.stored.steps[0].readings) >= 1


def test_rf_was_on_before_it_went_off(tmp_path: Path) -> None:
    """The test above would pass on a bench that never turns RF on."""
    seen = []
    with laid(tmp_path, RF % "none") as table:

        def look(event: Event) -> None:
            if isinstance(event, ReadingTaken):
                seen.append(table.world.radio.handle_line("rf 1"))

        run_on(table, tmp_path, [look])
    assert seen[0] == "rf 1 on"


def run_on(table: Any, folder: Path, listeners: list[Any]) -> ExitCode:
    from hilkit.runner import run

    out = folder / "run"
    out.mkdir()
    return run(
        table.plan,
        table.bench,
        clock=table.clock,
        resource_manager=table.manager,
        folder=out,
        lab=table.lab,
        listeners=listeners,
    )


def test_rf_that_a_crashed_run_left_on_is_off_before_the_first_step(tmp_path: Path) -> None:
    seen = []
    with laid(tmp_path, "  - look: {}") as table:
        table.world.radio.handle_line("rf 2 on")
        assert table.world.radio.handle_line("rf 2") == "rf 2 on"

        def look(event: Event) -> None:
            if isinstance(event, StepBegun):
                seen.append(table.world.radio.handle_line("rf 2"))

        run_on(table, tmp_path, [look])
    assert seen == ["rf 2 off"]


@pytest.mark.parametrize(("trouble", "word"), [("safety", "41 dBm"), ("interrupt", "stopped by Ctrl-C")])
def test_what_ends_the_run_is_an_error_of_its_step_and_skips_the_rest(
    tmp_path: Path, trouble: str, word: str
) -> None:
    done = go(tmp_path, RF % trouble)
    assert done.outcomes == ["a error error", "b skipped none"]
    assert word in done.stored.steps[0].reason
    assert word in done.stored.reason
    assert word in done.stored.steps[1].reason


def test_a_bench_that_cannot_be_made_safe_is_exit_7_with_what_to_do_by_hand(tmp_path: Path) -> None:
    fault = Fault(instrument="radio", kind="refusal", when="rf 1 off", after=1, count=100)
    done = go(tmp_path, RF % "none", faults=[fault])
    assert done.code is ExitCode.NOT_SAFE
    assert any("RF of channel 1 off" in text for text in done.stored.not_safe)
    assert [step.outcome for step in done.stored.steps] == [Outcome.SKIPPED, Outcome.SKIPPED]


def test_a_link_that_does_not_come_back_ends_the_run_in_order(tmp_path: Path) -> None:
    fault = Fault(instrument="analyser", kind="silence", when="*IDN?", after=3, count=1000)
    done = go(tmp_path, "  - look: {id: a, trouble: link}\n  - look: {id: b}", faults=[fault])
    assert done.outcomes == ["a error error", "b skipped none"]
    assert "the link to analyser is lost for good" in done.stored.reason
    assert done.code is ExitCode.BENCH
    assert done.rf_on == [False, False]


def test_a_link_that_comes_back_lets_the_run_go_on(tmp_path: Path) -> None:
    done = go(tmp_path, "  - look: {id: a, trouble: link}\n  - look: {id: b}")
    assert done.outcomes == ["a error error", "b done none"]


def test_an_instrument_that_is_not_there_skips_every_step_and_turns_rf_off(tmp_path: Path) -> None:
    fault = Fault(instrument="analyser", kind="silence", count=1000)
    with laid(tmp_path, "  - look: {}", faults=[fault]) as table:
        table.world.radio.handle_line("rf 1 on")
        code = run_on(table, tmp_path, [])
        assert table.world.radio.handle_line("rf 1") == "rf 1 off"
    stored = Record.open(tmp_path / "run")
    assert code is ExitCode.BENCH
    assert stored.reason.startswith("analyser: ")
    assert [step.outcome for step in stored.steps] == [Outcome.SKIPPED]


def test_a_record_that_can_no_longer_be_written_ends_the_run_with_the_bench_safe(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = Record.listener
    taken: list[int] = []

    def full(self: Record, event: Event) -> None:
        if isinstance(event, ReadingTaken):
            taken.append(1)
        if len(taken) > 1:
            raise RecordError("the record run.sqlite cannot be written: database or disk is full")
        write(self, event)

    monkeypatch.setattr(Record, "listener", full)
    heard: list[Event] = []
    with laid(tmp_path, RF % "none") as table:
        code = run_on(table, tmp_path, [heard.append])
        assert table.world.radio.handle_line("rf 1") == "rf 1 off"
    stored = Record.open(tmp_path / "run")
    assert code is ExitCode.BENCH
    assert [len(step.readings) for step in stored.steps] == [1, 0]
    assert not stored.ended
    assert "disk is full" in getattr(heard[-1], "reason", "")


def test_a_transcript_on_a_full_disk_does_not_keep_rf_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from hilkit.instruments import FileTranscript

    def full(self: FileTranscript, instrument: str, direction: str, text: str) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(FileTranscript, "line", full)
    done = go(tmp_path, RF % "none")
    assert done.code is ExitCode.PASSED
    assert done.rf_on == [False, False]


def test_ctrl_c_in_a_long_wait_ends_it_and_a_second_one_does_not_skip_the_safe_state(tmp_path: Path) -> None:
    def press(event: Event) -> None:
        # Twice: while the step waits, and again once the run is on its way out.
        if isinstance(event, ReadingTaken) or "stopping" in getattr(event, "text", ""):
            signal.raise_signal(signal.SIGINT)

    with laid(tmp_path, "  - look: {id: a, rf: true, wait: 3600}\n  - look: {id: b}") as table:
        code = run_on(table, tmp_path, [press])
        assert table.world.radio.handle_line("rf 1") == "rf 1 off"
        assert table.clock.now() < 60
    stored = Record.open(tmp_path / "run")
    assert code is ExitCode.INTERRUPTED
    assert stored.not_safe == ()
    assert [step.outcome for step in stored.steps] == [Outcome.ERROR, Outcome.SKIPPED]


def test_ctrl_c_after_the_last_step_does_not_disturb_the_safe_state(tmp_path: Path) -> None:
    def press(event: Event) -> None:
        if isinstance(event, StepEnded):
            signal.raise_signal(signal.SIGINT)

    with laid(tmp_path, "  - look: {rf: true}") as table:
        code = run_on(table, tmp_path, [press])
        assert table.world.radio.handle_line("rf 1") == "rf 1 off"
    assert code is ExitCode.PASSED
    assert Record.open(tmp_path / "run").not_safe == ()


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_a_signal_becomes_interrupted_in_the_next_wait_and_the_old_handler_comes_back(name: str) -> None:
    clock = VirtualClock()
    number = signal.Signals[name]
    before = signal.getsignal(number)
    with StopRequest(clock) as request:
        clock.sleep(1)
        signal.raise_signal(number)
        with pytest.raises(Interrupted, match=r"Ctrl-C|SIGTERM"):
            clock.sleep(1)
        request.disarm()
        signal.raise_signal(number)
        clock.sleep(1)
    assert signal.getsignal(number) is before
    clock.sleep(1)
