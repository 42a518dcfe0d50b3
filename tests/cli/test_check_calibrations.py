"""``hilkit check`` says what a run would say of the calibrations: a warning line, or exit code 2."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pytest

from hilkit.files import library
from tests.bench.calibrating import bench_text
from tests.cli.calls import Call, call

PLAN = """\
plan: power of a stream
bench: pier
steps:
  - channel_power: {channel: 1, carrier: 1842.5 MHz, bandwidth: 20 MHz, waveform: nr20, attenuation: 12 dB}
"""
IN_ORDER = "plan in order: 1 step in 1 combination; it fits the bench simulated pier, calibration\n"
MISSING = "path tx1 has no calibration; it is read from 1.83 GHz to 1.855 GHz"


def lab(folder: Path, *keys: str, due: str = "2047-06-30") -> tuple[Path, Path]:
    """Make a lab of one plan and one bench, the analyser's calibration running out on ``due``."""
    old, new = (
        "reference: external\n    calibration_due: 2047-06-30",
        f"reference: external\n    calibration_due: {due}",
    )
    text = bench_text(*keys, changes=[(old, new)])
    for name in ("sim_profiles", "sequences"):
        (folder / name).mkdir()
    shutil.copy(library() / "sim_profiles" / "measured_line.s2p", folder / "sim_profiles")
    bench, plan = folder / "sim_profiles" / "pier.bench.yaml", folder / "sequences" / "power.yaml"
    bench.write_text(text, encoding="utf-8")
    plan.write_text(PLAN, encoding="utf-8")
    return plan, bench


def warnings(done: Call) -> list[str]:
    mark = "  warning: "
    return [line.removeprefix(mark) for line in done.out.splitlines() if line.startswith(mark)]


def test_what_the_policy_refuses_is_exit_2_with_the_frequencies(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan, _ = lab(tmp_path, "calibration_policy: refuse")
    done = call(capsys, "check", plan)
    assert (done.code, done.out) == (2, "")
    assert f"a run would be refused by the calibration_policy of the bench file: {MISSING}\n" in done.err
    assert "next: run path_calibration" in done.err


def test_what_the_policy_warns_of_is_a_line_and_no_mistake(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan, _ = lab(tmp_path, "calibration_policy: warn")
    done = call(capsys, "check", plan)
    assert done.code == 0
    assert done.out.startswith(f"{plan}: {IN_ORDER}")
    assert warnings(done) == [MISSING]


@pytest.mark.parametrize(
    ("days", "sentence"),
    [
        (-1, "the calibration of analyser ran out on {due}; what is read with it is inconclusive"),
        (0, "the calibration of analyser runs out on {due}, today"),
        (30, "the calibration of analyser runs out on {due}, in 30 days"),
        (32, ""),
    ],
)
def test_an_instrument_that_is_overdue_or_soon_will_be_is_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], days: int, sentence: str
) -> None:
    due = dt.datetime.now(dt.UTC).date() + dt.timedelta(days=days)
    plan, bench = lab(tmp_path, due=str(due))
    done = call(capsys, "check", plan)
    said = [sentence.format(due=due)] if sentence else []
    assert (done.code, warnings(done)) == (0, said)
    of_bench = [each.removesuffix("; what is read with it is inconclusive") for each in said]
    assert warnings(call(capsys, "check", bench)) == of_bench
