"""``hilkit run``: from a file name to a folder with a record, a JUnit file and a transcript."""

from __future__ import annotations

import errno
from pathlib import Path

import junitparser
import pytest

from hilkit.bench import resource_lock
from hilkit.cli.common import pairs
from hilkit.errors import RecordError, UsageError
from hilkit.record import Event, ReadingTaken, Record, RunEnded, StepBegun, StepEnded
from hilkit.reports import Console, PlainScreen
from hilkit.safety import SafeState
from tests.cli.calls import SMALL_PLAN, call, lab_with


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def folders(here: Path) -> list[Path]:
    return sorted((here / "runs").iterdir()) if (here / "runs").exists() else []


def test_a_run_leaves_a_folder_with_everything(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lab_with(here)
    done = call(capsys, "run", "small")
    assert done.code == 0, done.text
    (folder,) = folders(here)
    assert sorted(path.name for path in folder.iterdir()) == ["junit.xml", "run.sqlite", "transcript.txt"]
    assert folder.name.endswith("Z-small")
    stored = Record.open(folder)
    (suite,) = junitparser.JUnitXml.fromfile(str(folder / "junit.xml"))
    assert [case.name for case in suite] == ["bring_up[channel=1]"]
    assert stored.verdict == "pass"
    assert len((folder / "transcript.txt").read_text(encoding="utf-8").splitlines()) > 20


def test_a_simulated_run_says_so_first_and_last_and_warns_of_rf(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab_with(here)
    lines = call(capsys, "run", "sequences/small.yaml", "--seed", "17").out.splitlines()
    assert lines[0] == lines[-1] == "SIMULATED RUN: the numbers come from a model, not from a radio (seed 17)"
    assert sum(line.startswith("caution: conducted test") for line in lines) == 1
    assert "verdict: pass  exit code 0: all limits were met" in lines


def test_a_missed_limit_is_exit_1(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lab_with(here, SMALL_PLAN.replace("{min: 1}", "{max: 0}"))
    done = call(capsys, "run", "small")
    assert done.code == 1
    assert "reference_locked" in done.out.split("what did not pass, and why")[1]


def test_two_runs_get_two_folders(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lab_with(here)
    for _ in range(2):
        assert call(capsys, "run", "small").code == 0
    assert len(folders(here)) == 2


def test_a_plan_without_a_bench_is_exit_2_and_nothing_is_simulated_by_itself(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab_with(here, SMALL_PLAN.replace("bench: simulated_pier\n", ""))
    done = call(capsys, "run", "small")
    assert done.code == 2
    assert "the plan names no bench, and none was given" in done.err
    assert folders(here) == []
    assert call(capsys, "run", "small", "--bench", "simulated_pier").code == 0


def test_set_and_only_and_from_choose(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lab_with(here)
    assert call(capsys, "run", "small", "--set", "channel=2", "--only", "bring_up").code == 0
    stored = Record.open(folders(here)[0])
    assert [step.vary for step in stored.steps] == [(("channel", "2"),)]
    assert stored.chosen == "--only bring_up --set channel=2"


def test_an_unknown_step_is_exit_2_before_anything_runs(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab_with(here)
    done = call(capsys, "run", "small", "--only", "bringup")
    assert done.code == 2
    assert "did you mean bring_up?" in done.err
    assert folders(here) == []


def test_a_plan_that_does_not_fit_the_bench_is_exit_2_with_its_place(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = lab_with(here, SMALL_PLAN.replace("1842.5 MHz", "900 MHz"))
    done = call(capsys, "run", "small")
    assert done.code == 2
    assert f"{path}:7:" in done.err
    assert folders(here) == []


@pytest.mark.parametrize("name", ["no_such_plan", "sequences/no_such_plan.yaml", "../no_such_plan.yaml"])
def test_a_plan_that_is_not_there_is_exit_2(
    here: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    done = call(capsys, "run", name)
    assert done.code == 2
    assert "no_such_plan" in done.err
    assert "Traceback" not in done.err


def test_a_path_into_the_library_works_from_an_empty_folder_and_is_told(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = call(capsys, "check", "drivers/signal_analyser.yaml")
    assert done.code == 0
    assert "note: drivers/signal_analyser.yaml is not here; using " in done.err


REAL_BENCH = """\
bench: bench of nothing
instruments:
  analyser: {driver: signal_analyser, resource: "TCPIP0::127.0.0.1::1::SOCKET"}
radio:
  driver: radio_head
  resource: "TCPIP0::127.0.0.1::2::SOCKET"
  channels: {1: tx1}
  max_level: 24 dBm
  frequency: [{from: 1805 MHz, to: 1880 MHz}]
  bandwidth: 60 MHz
paths:
  tx1: [{node: port}, {kind: pad, loss: 30 dB, node_out: analyser input}]
ratings: {analyser input: 30 dBm}
"""


def test_a_bench_of_which_nothing_answers_is_not_known_to_be_safe_and_has_a_record_and_a_junit_file(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab_with(here)
    (here / "benches").mkdir()
    (here / "benches" / "nothing.yaml").write_text(REAL_BENCH, encoding="utf-8")
    done = call(capsys, "run", "small", "--bench", "nothing")
    assert done.code == 7
    assert "stopped early: analyser: " in done.out
    assert "RF OF CHANNEL 1 MAY BE ON, SWITCH THE SUPPLY OF THE RADIO OFF BY HAND" in done.out
    assert "SIMULATED" not in done.out
    assert "Traceback" not in done.text
    (folder,) = folders(here)
    (suite,) = junitparser.JUnitXml.fromfile(str(folder / "junit.xml"))
    assert (suite.errors, suite.skipped) == (1, 1)


def test_a_seed_for_a_real_bench_is_refused(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lab_with(here)
    (here / "nothing.yaml").write_text(REAL_BENCH, encoding="utf-8")
    done = call(capsys, "run", "small", "--bench", "nothing.yaml", "--seed", "1")
    assert done.code == 2
    assert "--seed has no meaning on bench of nothing" in done.err


def test_a_visa_library_that_is_not_there_is_exit_3(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lab_with(here)
    (here / "nothing.yaml").write_text(REAL_BENCH, encoding="utf-8")
    done = call(capsys, "run", "small", "--bench", "nothing.yaml", "--visa", "@nosuch")
    assert done.code == 3
    assert "'@nosuch' cannot be used" in done.err


def test_a_place_that_cannot_be_written_is_exit_3(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lab_with(here)
    (here / "runs").write_text("a file", encoding="utf-8")
    done = call(capsys, "run", "small")
    assert done.code == 3
    assert "no run folder can be made in runs" in done.err


def test_a_record_on_a_full_disk_does_not_hide_that_the_bench_is_not_safe(
    here: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    write = Record.listener

    def full(self: Record, event: Event) -> None:
        if isinstance(event, ReadingTaken | StepEnded | RunEnded):
            raise RecordError("the record cannot be written: database or disk is full")
        write(self, event)

    monkeypatch.setattr(Record, "listener", full)
    left = iter([[], ["RF of channel 1 off: no answer; switch the radio's supply off"]])
    reach = "hilkit.runner.bench_safety.reach_safe"
    monkeypatch.setattr(reach, lambda *_, **__: SafeState(not_safe=next(left)))
    lab_with(here)
    done = call(capsys, "run", "small")
    assert done.code == 7
    assert "stopped early: the record cannot be written: database or disk is full" in done.out
    assert "THE BENCH IS NOT SAFE. SWITCH OFF BY HAND, NOW:\n  - RF of channel 1 off" in done.out
    (folder,) = folders(here)
    assert "NOT SAFE" in (folder / "junit.xml").read_text(encoding="utf-8")


def test_a_file_of_the_lab_that_stands_in_front_of_one_of_hilkit_is_told(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab_with(here, name="night_check")
    done = call(capsys, "run", "night_check")
    assert done.code == 0
    assert "note: plan night_check: " in done.err
    assert "stands in front of" in done.err


@pytest.mark.parametrize(
    ("texts", "word"),
    [(["channel"], "a name and a value"), (["a="], "a name and a value"), (["a=1", "a=2"], "twice")],
)
def test_a_set_without_name_or_value_is_refused(texts: list[str], word: str) -> None:
    with pytest.raises(UsageError, match=word):
        pairs(texts)


def test_a_value_may_hold_an_equals_sign() -> None:
    assert pairs(["note=a=b", " channel = 1 "]) == {"note": "a=b", "channel": "1"}


def test_the_night_check_that_comes_with_hilkit_passes_from_an_empty_folder(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = call(capsys, "run", "sequences/night_check.yaml")
    assert done.code == 0, done.text
    assert "note: sequences/night_check.yaml is not here; using " in done.err
    (folder,) = folders(here)
    stored = Record.open(folder)
    (suite,) = junitparser.JUnitXml.fromfile(str(folder / "junit.xml"))
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (len(stored.steps), 0, 0, 0)
    for case, step in zip(suite, stored.steps, strict=True):
        lines = case.system_out.splitlines()
        assert sum(" verdict " in line for line in lines) == len(step.readings)


def test_a_busy_bench_is_told_in_a_few_lines_with_a_junit_file_for_the_ci(
    here: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(here))
    monkeypatch.setenv("LOCALAPPDATA", str(here))
    plan = SMALL_PLAN.replace("{channel: [1]}", "{carrier: [1842.5 MHz, 1850 MHz, 1860 MHz]}")
    plan = plan.replace("channel: $channel", "channel: 1").replace("carrier: 1842.5 MHz", "carrier: $carrier")
    lab_with(here, plan)
    (here / "nothing.yaml").write_text(REAL_BENCH, encoding="utf-8")
    with resource_lock("TCPIP0::127.0.0.1::2::SOCKET", "by hilkit talk"):
        done = call(capsys, "run", "small", "--bench", "nothing.yaml")
    assert done.code == 3
    assert ", by hilkit talk" in done.out
    assert len(done.out.splitlines()) < 20
    assert "1/3 to 3/3 skipped: the run stopped: bench of nothing is in use" in " ".join(done.out.split())
    (folder,) = folders(here)
    (suite,) = junitparser.JUnitXml.fromfile(str(folder / "junit.xml"))
    assert (suite.errors, suite.skipped) == (1, 3)


def test_a_terminal_that_goes_away_does_not_cost_the_junit_file(
    here: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A write to a terminal that has hung up fails with EIO (POSIX.1-2017, write)."""

    def gone(self: PlainScreen, lines: object) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(PlainScreen, "show", gone)
    lab_with(here)
    assert call(capsys, "run", "small").code == 0
    (folder,) = folders(here)
    assert (folder / "junit.xml").is_file()


def test_a_run_that_broke_off_goes_on_by_its_folder_and_a_complete_one_has_nothing_to_do(
    here: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    lab_with(here, SMALL_PLAN.replace("[1]", "[1, 2]"))
    listener = Console.listener

    def interrupted(self: Console, event: Event) -> None:
        listener(self, event)
        if isinstance(event, StepBegun) and event.planned.number == 2:
            raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(Console, "listener", interrupted)
        assert call(capsys, "run", "small", "--only", "bring_up", "--seed", "5").code == 130
    (first,) = folders(here)
    done = call(capsys, "run", "small", "--resume", first.name)
    assert done.code == 0, done.text
    assert f"resumed from {first}" in done.out.replace("\n  ", " ")
    assert "(seed 5)" in done.out
    second = folders(here)[1]
    stored = Record.open(second)
    assert stored.chosen == "--only bring_up"
    assert [step.taken_in for step in stored.steps] == [str(first.resolve()), ""]
    properties = (second / "junit.xml").read_text(encoding="utf-8")
    assert f'name="resumed_from.1" value="{first.resolve()}"' in properties
    again = call(capsys, "run", "small", "--resume", str(second / "run.sqlite"))
    assert again.code == 5
    assert "is complete: there is nothing to do" in again.err
    other = call(capsys, "run", "small", "--resume", str(first), "--from", "bring_up")
    assert other.code == 2
    assert "--from was not given and is bring_up" in other.err
    assert len(folders(here)) == 2


def test_a_run_to_go_on_with_that_is_not_there_is_exit_2(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab_with(here)
    done = call(capsys, "run", "small", "--resume", "nowhere")
    assert done.code == 2
    assert "--resume nowhere: there is no record at nowhere" in done.err
