"""On every way out the bench is left in its safe state, and no finished reading is lost."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from hilkit.clock import VirtualClock
from hilkit.errors import ExitCode, Interrupted, RecordError
from hilkit.quantities import Duration
from hilkit.record import Event, Outcome, ReadingTaken, Record, StepBegun, StepEnded
from hilkit.runner import StopRequest, console
from hilkit.sim.profile import Fault
from tests.runner.trial import go, laid

SENT = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
PAD_UP = ":INPut:ATTenuation 63"
RF = "  - look: {id: a, rf: true, trouble: %s}\n  - look: {id: b}"


@pytest.fixture(autouse=True)
def unharmed() -> Iterator[None]:
    """A signal that the run does not take must fail a test, not end the tests."""
    before = {signal.Signals[name]: signal.signal(signal.Signals[name], lambda *_: None) for name in SENT}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


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
    faults = [
        Fault(instrument="radio", kind="refusal", when="rf 1 off", count=100),
        Fault(instrument="supply", kind="refusal", when=":OUTP", count=100),
    ]
    done = go(tmp_path, RF % "none", faults=faults)
    assert done.code is ExitCode.NOT_SAFE
    told = "RF OF CHANNEL 1 MAY BE ON, SWITCH THE SUPPLY OF THE RADIO OFF BY HAND"
    assert any(told in text for text in done.stored.not_safe)
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


@pytest.mark.parametrize("name", SENT)
def test_a_signal_becomes_interrupted_in_the_next_wait_and_the_old_handler_comes_back(name: str) -> None:
    clock = VirtualClock()
    number = signal.Signals[name]
    before = signal.getsignal(number)
    with StopRequest(clock) as request:
        clock.sleep(1)
        signal.raise_signal(number)
        with pytest.raises(Interrupted, match=r"Ctrl-C|SIGTERM|SIGHUP"):
            clock.sleep(1)
        request.disarm()
        signal.raise_signal(number)
        clock.sleep(1)
    assert signal.getsignal(number) is before
    clock.sleep(1)


@pytest.mark.parametrize("name", SENT)
def test_whoever_stops_the_run_it_ends_in_order_with_rf_off(tmp_path: Path, name: str) -> None:
    """A closed terminal sends SIGHUP (POSIX.1-2017, XBD 11.1.10, modem disconnect)."""

    def close(event: Event) -> None:
        if isinstance(event, ReadingTaken):
            signal.raise_signal(signal.Signals[name])

    with laid(tmp_path, "  - look: {id: a, rf: true, wait: 3600}\n  - look: {id: b}") as table:
        code = run_on(table, tmp_path, [close])
        assert table.world.radio.handle_line("rf 1") == "rf 1 off"
    stored = Record.open(tmp_path / "run")
    assert code is ExitCode.INTERRUPTED
    assert stored.ended
    assert {"SIGINT": "Ctrl-C", "SIGHUP": "closed terminal"}.get(name, name) in stored.reason
    assert stored.notes[-1].startswith("the bench is in its safe state: RF of channel 1 is off")
    assert "RF of channel 2 is off: -60 dBm or less at its port" in stored.notes[-1]


def test_a_run_under_nohup_outlives_its_terminal() -> None:
    """POSIX.1-2017, nohup: the utility is started with SIGHUP ignored."""
    number = getattr(signal, "SIGHUP", None)
    if number is None:  # Windows has neither
        return
    before = signal.signal(number, signal.SIG_IGN)
    try:
        clock = VirtualClock()
        with StopRequest(clock):
            signal.raise_signal(number)
            clock.sleep(1)
    finally:
        signal.signal(number, before)


def test_a_console_window_that_is_closed_asks_the_run_to_stop_and_gives_it_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Windows console API, HandlerRoutine: the process ends when it returns from CTRL_CLOSE_EVENT (2)."""
    handlers: list[Any] = []
    held: list[float] = []

    class Kernel:
        def SetConsoleCtrlHandler(self, handler: Any, add: int) -> None:
            handlers.append(handler) if add else handlers.remove(handler)

    monkeypatch.setattr(console, "_kernel", Kernel)
    monkeypatch.setattr(console.time, "sleep", held.append)
    clock = VirtualClock()
    with StopRequest(clock):
        assert handlers[0](0) == 0  # Ctrl-C comes as a signal
        clock.sleep(1)
        handlers[0](2)
        assert held[0] > 5
        with pytest.raises(Interrupted, match="closed window"):
            clock.sleep(1)
    assert handlers == []


def test_what_others_left_in_an_error_queue_is_noted_and_does_not_stop_the_run(tmp_path: Path) -> None:
    with laid(tmp_path, RF % "none") as table:
        for port in (5026, 5027):
            left = table.manager.open_resource(f"TCPIP0::127.0.0.1::{port}::SOCKET")
            left.write_raw(b"FOO\n")
            left.close()
        code = run_on(table, tmp_path, [])
    stored = Record.open(tmp_path / "run")
    assert code is ExitCode.PASSED
    assert [note.partition(": ")[0] for note in stored.notes] == [
        "found in the error queue of pad, from before this run",
        "found in the error queue of relay, from before this run",
        "the bench is in its safe state",
    ]
    assert "-113" in stored.notes[1]


def test_a_run_that_came_to_its_end_says_how_rf_off_is_known(tmp_path: Path) -> None:
    with laid(tmp_path, RF % "none") as table:
        assert run_on(table, tmp_path, []) is ExitCode.PASSED
    (note,) = Record.open(tmp_path / "run").notes
    assert note.startswith("the bench is in its safe state: RF of channel 1 is off")


def test_rf_that_was_on_at_the_start_is_in_the_record(tmp_path: Path) -> None:
    with laid(tmp_path, "  - look: {}") as table:
        table.world.radio.handle_line("trim 2 6")
        table.world.radio.handle_line("rf 2 on")
        run_on(table, tmp_path, [])
    stored = Record.open(tmp_path / "run")
    assert stored.notes[0] == "RF of channel 2 was on at the start of this run, attenuation 6 dB"


def test_one_bad_answer_on_the_way_to_the_safe_state_is_asked_again(tmp_path: Path) -> None:
    done = go(tmp_path, RF % "none", faults=[Fault(instrument="radio", kind="refusal", when="rf 1 off")])
    assert done.code is ExitCode.PASSED
    assert done.world.radio.power_cycles == 0


def test_a_bench_made_safe_at_the_second_try_ends_the_run_but_is_no_exit_7(tmp_path: Path) -> None:
    done = go(tmp_path, RF % "none", faults=[Fault(instrument="pad", kind="refusal", when=PAD_UP, count=4)])
    assert done.code is ExitCode.BENCH
    assert done.stored.not_safe == ()
    assert "pad IS NOT AT ITS MAXIMUM" in done.stored.reason
    assert "the bench is in its safe state" in done.stored.notes[-1]
    assert [step.outcome for step in done.stored.steps] == [Outcome.SKIPPED, Outcome.SKIPPED]


def test_a_radio_that_had_to_be_cut_at_the_end_of_a_run_is_no_pass(tmp_path: Path) -> None:
    late = Duration(3.0)  # RF is on by then, and stays
    radiates = Fault(instrument="radio", kind="stuck_rf", when="rf 1 off", at=late, count=10_000)

    def louder(event: Event) -> None:
        if isinstance(event, StepEnded):
            assert table.world.radio.handle_line("trim 1 0") == "ok"

    with laid(tmp_path, "  - look: {rf: true, wait: 5}", faults=[radiates]) as table:
        code = run_on(table, tmp_path, [louder])
        assert not table.world.radio.powered
    stored = Record.open(tmp_path / "run")
    assert code is ExitCode.BENCH
    assert "the radio did not obey and RF had to be cut" in stored.reason
    assert stored.notes[-1].startswith(
        "the bench is in its safe state: RF of channel 1 is off only as it was cut"
    )


def test_a_radio_that_is_silent_at_the_start_is_cut_since_the_last_run_may_have_left_rf_on(
    tmp_path: Path,
) -> None:
    silent = Fault(instrument="radio", kind="silence", count=10_000)
    with laid(tmp_path, "  - look: {}", faults=[silent]) as table:
        table.world.radio.handle_line("rf 1 on")
        code = run_on(table, tmp_path, [])
        assert not table.world.radio.powered
    stored = Record.open(tmp_path / "run")
    assert code is ExitCode.BENCH
    assert any(note.startswith("supply output 1 has cut RF of channel 1, 2") for note in stored.notes)


def test_a_radio_that_had_to_be_cut_ends_the_run(tmp_path: Path) -> None:
    fault = Fault(instrument="radio", kind="refusal", when="rf 1 off", count=100)
    done = go(tmp_path, RF % "none", faults=[fault])
    assert done.code is ExitCode.BENCH
    assert done.stored.not_safe == ()
    assert done.stored.reason.startswith("the radio did not obey and RF had to be cut: supply output 1 has")
    assert not done.world.radio.powered
    assert [step.outcome for step in done.stored.steps] == [Outcome.SKIPPED, Outcome.SKIPPED]


def test_the_list_of_what_is_not_safe_stays_readable(tmp_path: Path) -> None:
    fault = Fault(instrument="relay", kind="silence", when=":ROUTe:OPEN", count=1000)
    done = go(tmp_path, RF % "none", faults=[fault])
    assert done.code is ExitCode.NOT_SAFE
    assert done.stored.not_safe
    assert not any("the link" in text for text in done.stored.not_safe)
    assert done.stored.reason == "the bench could not be brought to its safe state"
    assert all("\n" not in step.reason and len(step.reason) < 150 for step in done.stored.steps)


def test_an_interrupted_step_shows_no_last_lines_of_an_instrument(tmp_path: Path) -> None:
    done = go(tmp_path, RF % "interrupt")
    assert done.stored.steps[0].transcript == ()
    assert done.stored.steps[1].reason == "the run was stopped by Ctrl-C"
