"""Steps for a person are asked at a terminal, played by the simulated bench, and refused where nobody is."""

from __future__ import annotations

import io
import types
from pathlib import Path

import pytest

from hilkit.cli import person
from hilkit.cli.person import at_terminal
from hilkit.clock import VirtualClock
from hilkit.errors import Interrupted
from hilkit.files import library
from hilkit.safety import PersonStep
from tests.cli.calls import call, lab_with

STEP = PersonStep(
    text="put the sensor on plane tx1 port", moves=(("power_meter", "tx1 port"),), photos=("planes/tx1.jpg",)
)
PLAN = """\
plan: calibrate
bench: real
steps:
  - path_calibration: {channel: 1, from: 1805 MHz, to: 1880 MHz, step: 25 MHz}
"""


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    answers = Terminal()
    monkeypatch.delenv("CI", raising=False)
    monkeypatch.setattr(person, "sys", types.SimpleNamespace(stdin=answers, stdout=Terminal()))
    return answers


def test_a_person_is_told_what_to_do_with_the_photo_and_goes_on_with_enter(
    terminal: Terminal, capsys: pytest.CaptureFixture[str]
) -> None:
    terminal.write("\n")
    terminal.seek(0)
    ask = at_terminal(VirtualClock())
    assert ask is not None
    ask(STEP)
    told = capsys.readouterr().err
    assert "At the bench: put the sensor on plane tx1 port." in told
    assert "photo: planes/tx1.jpg" in told
    assert "RF of radio and generator is off" in told


def test_what_is_neither_enter_nor_stop_is_asked_again(
    terminal: Terminal, capsys: pytest.CaptureFixture[str]
) -> None:
    terminal.write("not yet\n\n")
    terminal.seek(0)
    ask = at_terminal(VirtualClock())
    assert ask is not None
    ask(STEP)
    told = capsys.readouterr().err
    assert "'not yet' is neither Enter nor `stop`." in told
    assert told.count("Enter when done") == 2


@pytest.mark.parametrize("answer", ["stop\n", "q\n", ""])
def test_a_person_can_stop_the_run(terminal: Terminal, answer: str) -> None:
    terminal.write(answer)
    terminal.seek(0)
    ask = at_terminal(VirtualClock())
    assert ask is not None
    with pytest.raises(Interrupted, match="stopped by the person at the bench, asked to put the sensor"):
        ask(STEP)


def test_under_continuous_integration_nobody_is_there(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CI", "true")
    assert at_terminal(VirtualClock()) is None


def test_without_a_terminal_nobody_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CI", raising=False)
    monkeypatch.setattr(person, "sys", types.SimpleNamespace(stdin=io.StringIO(), stdout=Terminal()))
    assert at_terminal(VirtualClock()) is None


def test_an_unattended_run_with_steps_for_a_person_is_refused_before_anything_is_touched(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (library() / "sim_profiles" / "simulated_pier_calibration.bench.yaml").read_text(encoding="utf-8")
    (tmp_path / "benches").mkdir()
    for name in ("measured_line.s2p",):
        (tmp_path / "benches" / name).write_bytes((library() / "sim_profiles" / name).read_bytes())
    real = text.replace("simulation: simulated_pier\n", "")
    (tmp_path / "benches" / "real.yaml").write_text(real, encoding="utf-8")
    plan = lab_with(tmp_path, PLAN)
    found = call(capsys, "run", plan, "--out", tmp_path / "runs")
    assert found.code == 2
    assert "path_calibration has steps for a person at the bench, and this run is unattended" in found.err
    assert not (tmp_path / "runs").exists()
