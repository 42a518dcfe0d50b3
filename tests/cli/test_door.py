"""The way in is light, and every error leaves as words and an exit code."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import click
import pytest

from hilkit import __version__
from hilkit.cli.door import COMMANDS, program
from hilkit.errors import ExitCode, SafetyStop
from tests.cli.calls import call

HEAVY = ("numpy", "pyvisa", "rich", "pydantic", "scipy", "skrf", "sqlite3", "yaml")

IMPORTS = """
import sys
from hilkit.cli import main
try:
    main(sys.argv[1:])
except SystemExit:
    pass
print("loaded:", *(name for name in %r if name in sys.modules))
"""


@pytest.mark.parametrize("args", [("--help",), ("--version",), ("run", "--help"), ("talk", "--help")])
def test_help_loads_nothing_heavy(args: tuple[str, ...]) -> None:
    done = subprocess.run(
        [sys.executable, "-c", IMPORTS % (HEAVY,), *args], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "loaded:"


def test_help_lists_every_command_and_every_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    done = call(capsys, "--help")
    assert done.code == 0
    for name in COMMANDS:
        assert f"  {name} " in done.out
    for code in ExitCode:
        assert f"{int(code):>3}  {code.meaning}" in done.out


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_of_the_table_exists_and_explains_itself(
    capsys: pytest.CaptureFixture[str], name: str
) -> None:
    done = call(capsys, name, "--help")
    assert done.code == 0
    assert f"Usage: hilkit {name}" in done.out
    command = program.get_command(click.Context(program), name)
    assert command is not None and command.help


def test_the_help_of_run_has_the_caution_and_the_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    out = " ".join(call(capsys, "run", "--help").out.split())
    for part in ("conducted test", "exposure limits", "Radiating needs a licence", "qualified people decide"):
        assert part in out
    assert "7 the bench could not be made safe" in out


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    assert call(capsys, "--version").out == f"hilkit {__version__}\n"


def test_a_misspelt_command_is_answered_with_the_one_that_was_meant(
    capsys: pytest.CaptureFixture[str],
) -> None:
    done = call(capsys, "inspct", "bench")
    assert done.code == 2
    assert "there is no command 'inspct'" in done.err
    assert "did you mean inspect?" in done.err


@pytest.mark.parametrize("args", [("run",), ("run", "--no-such-option", "x"), ("schema", "wheel"), ()])
def test_wrong_use_is_exit_2(capsys: pytest.CaptureFixture[str], args: tuple[str, ...]) -> None:
    done = call(capsys, *args)
    assert done.code == 2
    assert "Usage: hilkit" in done.err
    assert "Traceback" not in done.err


def breaking(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    @click.command("manual")
    def command() -> None:
        raise error

    monkeypatch.setattr("hilkit.cli.manual_command.command", command)


def test_an_error_for_people_is_shown_as_it_is_with_its_own_exit_code(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    breaking(monkeypatch, SafetyStop("41 dBm at the pad input", next_step="more attenuation"))
    done = call(capsys, "manual")
    assert (done.code, done.err) == (4, "hilkit: 41 dBm at the pad input\n  next: more attenuation\n")


def test_a_defect_is_one_sentence_and_its_traceback_is_in_a_file(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("HILKIT_TRACEBACK", raising=False)
    breaking(monkeypatch, ZeroDivisionError("division by zero"))
    done = call(capsys, "manual")
    assert done.code == 3
    assert "Traceback" not in done.err
    first, second = done.err.splitlines()
    assert first == "hilkit: a defect in hilkit, not in your files: ZeroDivisionError: division by zero"
    path = Path(second.split(": ")[-1])
    assert "ZeroDivisionError" in path.read_text(encoding="utf-8")


def test_a_switch_shows_the_traceback_to_who_looks_for_the_defect(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HILKIT_TRACEBACK", "1")
    breaking(monkeypatch, ZeroDivisionError("division by zero"))
    with pytest.raises(ZeroDivisionError):
        call(capsys, "manual")


@pytest.mark.parametrize("error", [KeyboardInterrupt(), click.Abort()])
def test_ctrl_c_outside_a_run_is_exit_130(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    breaking(monkeypatch, error)
    done = call(capsys, "manual")
    assert (done.code, done.err.splitlines()[-1]) == (130, "hilkit: interrupted")


def test_a_reader_that_goes_away_makes_no_noise(tmp_path: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    environment: dict[str, Any] = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with os.fdopen(write, "wb") as pipe:
        done = subprocess.run(
            [sys.executable, "-c", "from hilkit.cli import main; main(['schema', 'bench'])"],
            stdout=pipe,
            stderr=subprocess.PIPE,
            env=environment,
            text=True,
            check=False,
        )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO])
def test_an_output_that_takes_no_more_is_told_and_is_no_defect(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    echo = click.echo

    def full(message: object = None, **more: Any) -> None:
        if not more.get("err"):
            raise OSError(number, os.strerror(number))
        echo(message, **more)

    monkeypatch.setattr(click, "echo", full)
    monkeypatch.setattr("hilkit.cli.door._turn_away_from_pipe", lambda: None)
    done = call(capsys, "check", "night_check")
    assert done.code == 3
    assert done.err.startswith(f"hilkit: the output cannot be written: {os.strerror(number)}")
    assert "defect" not in done.err
