"""A radio behind a program needs a command that switches its RF off, or a run with it is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hilkit.bench.watch import WatchSpec
from hilkit.safety.watchdog import unwatched
from tests.bench.trial import bench_of, changed
from tests.cli.calls import call

COMMAND = changed(('resource: "TCPIP0::127.0.0.1::5030::SOCKET"', "command: [radio_shell, --console]"))


def test_a_radio_behind_a_program_without_a_safe_command_is_refused_with_its_place(tmp_path: Path) -> None:
    (problem,) = unwatched(bench_of(tmp_path, COMMAND))
    assert COMMAND.splitlines()[problem.line - 1].strip().startswith("command:")
    assert "its driver has no safe_command" in problem.message and "radio_head" in problem.seen


def test_what_can_be_switched_off_otherwise_is_not_refused(tmp_path: Path) -> None:
    assert unwatched(bench_of(tmp_path)) == []
    bench = bench_of(tmp_path, COMMAND)
    assert unwatched(replace(bench, watch=WatchSpec(off="a relay in the supply"))) == []
    assert unwatched(replace(bench, simulation="simulated_pier")) == []
    dialect = replace(bench.radio_spec.dialect, safe_command=("radio_off",))
    assert unwatched(replace(bench, radio_spec=replace(bench.radio_spec, dialect=dialect))) == []


def test_a_driver_of_the_lab_can_bring_the_command(tmp_path: Path) -> None:
    (tmp_path / "drivers").mkdir()
    driver = (
        "driver: head_shell\ninstrument_class: radio\nbase: radio_head\nsafe_command: [radio_off, --all]\n"
    )
    (tmp_path / "drivers" / "head_shell.yaml").write_text(driver, encoding="utf-8")
    bench = bench_of(tmp_path, COMMAND.replace("driver: radio_head", "driver: head_shell"))
    assert bench.radio_spec.dialect.safe_command == ("radio_off", "--all")
    assert unwatched(bench) == []


def test_the_run_and_the_check_of_a_plan_both_tell(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "benches").mkdir()
    bench_of(tmp_path / "benches", COMMAND)
    plan = tmp_path / "short.yaml"
    step = "bring_up: {channel: 1, carrier: 1842.5 MHz, reference: external}"
    plan.write_text(f"plan: short\nbench: trial\nsteps:\n  - {step}\n", encoding="utf-8")
    for command in ("run", "check"):
        result = call(capsys, command, plan)
        assert result.code == 2
        assert "RF cannot be switched off if a run with this radio dies" in result.text
    assert not (tmp_path / "runs").exists()
