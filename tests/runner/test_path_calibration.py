"""A run writes the calibration of a path, the bench file names it, and later runs rely on it or refuse."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hilkit.bench import Bench, load_bench
from hilkit.clock import VirtualClock
from hilkit.errors import ExitCode
from hilkit.files import Lab, library
from hilkit.plans import load_plan
from hilkit.record import Record, StoredRun
from hilkit.runner import run
from hilkit.sim import open_simulated
from hilkit.sim.profile import load_profile
from tests.bench.calibrating import bench_with, calibrated, content

CALIBRATE = """\
plan: calibrate
bench: pier
steps:
  - path_calibration:
      {channel: 1, from: 1790 MHz, to: 1895 MHz, step: 5 MHz, readings: 2, temperature: 22.5 °C}
"""
TONE = """\
plan: a tone
bench: pier
steps:
  - bring_up: {channel: 1, carrier: CARRIER, reference: external}
  - tone_placement:
      {channel: 1, carrier: CARRIER, offset: 7.5 MHz, attenuation: 6 dB, resolve_down_to: -40 dBc}
"""
VERIFY = """\
plan: verify
bench: pier
steps:
  - path_verification: {channel: 1, from: 1810 MHz, to: 1875 MHz, points: 2}
"""


def execute(
    folder: Path,
    plan: str,
    bench: Bench,
    *,
    today: dt.date = dt.date(2026, 11, 25),
    moves: Callable[[Any], Any] = lambda step: step.moves,
    **more: Any,
) -> tuple[ExitCode, StoredRun]:
    """Run a plan with a person who does what is asked, or ``moves`` something else."""
    lab = Lab(folder)
    file = folder / "plan.yaml"
    file.write_text(plan, encoding="utf-8")
    clock = VirtualClock(dt.datetime.combine(today, dt.time(20), tzinfo=dt.UTC))
    manager, world = open_simulated(load_profile("simulated_pier", lab), clock, 1)
    out = folder / f"run{len(list(folder.iterdir()))}"
    out.mkdir()

    def person(step: Any) -> None:
        for instrument, plane in moves(step):
            world.connect(instrument, plane)

    code = run(
        load_plan(file, lab),
        bench,
        clock=clock,
        resource_manager=manager,
        folder=out,
        lab=lab,
        on_person=person,
        **more,
    )
    return code, Record.open(out)


def named(folder: Path, file: str, *keys: str) -> Bench:
    text = (folder / "pier.bench.yaml").read_text(encoding="utf-8")
    more = "\n".join([f"calibrations: [calibrations/{file}]", "calibration_policy: refuse", *keys, ""])
    path = folder / "named.bench.yaml"
    path.write_text(text + more, encoding="utf-8")
    return load_bench(path, Lab(folder))


def test_a_calibration_is_written_named_verified_and_relied_on(tmp_path: Path) -> None:
    bench = bench_with(tmp_path)
    code, stored = execute(tmp_path, CALIBRATE, bench)
    assert code == ExitCode.PASSED
    file = tmp_path / "calibrations" / "tx1_2026-11-25.yaml"
    text = file.read_text(encoding="utf-8")
    for said in (
        'serial: "SG-0448"',
        'serial: "PM-2210"',
        'temperature: "22.5 °C"',
        "relay: [101]",
        "mismatch",
    ):
        assert said in text
    again = named(tmp_path, file.name)
    readings = {r.key.index: r.value for r in stored.steps[0].readings if r.key.name == "path_loss"}
    assert len(readings) == 22
    for hz, loss_db in readings.items():
        assert again.path(1).loss_db(hz) == pytest.approx(loss_db, abs=5e-5)
    code, stored = execute(tmp_path, VERIFY, again)
    assert code == ExitCode.PASSED
    for reading in stored.steps[0].readings:
        assert abs(reading.value) < 0.01
        assert reading.note == "against the calibration tx1_2026-11-25.yaml"
    code, stored = execute(tmp_path, TONE.replace("CARRIER", "1842.5 MHz"), again)
    level = next(r for r in stored.steps[1].readings if r.key.name == "tone_level")
    quantities = [line.quantity for line in level.budget.lines]
    assert "calibration" in quantities
    assert "loss of coupler 1" not in quantities


def test_a_second_calibration_of_a_day_does_not_replace_the_first(tmp_path: Path) -> None:
    bench = bench_with(tmp_path)
    for _ in range(2):
        execute(tmp_path, CALIBRATE, bench)
    names = sorted(path.name for path in (tmp_path / "calibrations").iterdir())
    assert names == ["tx1_2026-11-25.yaml", "tx1_2026-11-25_2.yaml"]


def test_what_came_with_hilkit_is_not_written_to(tmp_path: Path) -> None:
    lab = Lab(None)
    bench = load_bench(lab.find("bench", "simulated_pier_calibration"), lab)
    before = sorted((library() / "sim_profiles").iterdir())
    execute(tmp_path, CALIBRATE, bench)
    assert sorted((library() / "sim_profiles").iterdir()) == before
    assert [path.name for path in tmp_path.glob("run*/calibrations/*")] == ["tx1_2026-11-25.yaml"]


def test_a_place_that_cannot_be_written_ends_the_run_with_its_reason(tmp_path: Path) -> None:
    bench = bench_with(tmp_path)
    (tmp_path / "calibrations").write_text("a file where the folder should be", encoding="utf-8")
    code, stored = execute(tmp_path, CALIBRATE, bench)
    assert code == ExitCode.BENCH
    assert "the calibration cannot be written" in stored.steps[0].reason
    assert len(stored.steps[0].readings) == 22


@pytest.mark.parametrize(
    ("date", "carrier", "sentence"),
    [
        ("2026-08-26", "1842.5 MHz", "is 91 days old; the limit is 90 days"),
        ("2026-12-01", "1842.5 MHz", "is dated 2026-12-01, after today"),
    ],
)
@pytest.mark.parametrize("policy", ["refuse", "warn"])
def test_a_stale_calibration_refuses_the_run_or_is_told(
    tmp_path: Path, date: str, carrier: str, sentence: str, policy: str
) -> None:
    bench = calibrated(tmp_path, "calibration_days: 90", policy=policy, date=date)
    code, stored = execute(tmp_path, TONE.replace("CARRIER", carrier), bench)
    assert any(sentence in told for told in stored.calibration)
    if policy == "warn":
        assert code == ExitCode.PASSED
        return
    assert code == ExitCode.BENCH
    assert sentence in stored.reason
    assert all(not step.readings for step in stored.steps)


def test_on_its_last_day_a_calibration_is_not_stale(tmp_path: Path) -> None:
    bench = calibrated(tmp_path, "calibration_days: 90", date="2026-08-27")
    code, stored = execute(tmp_path, TONE.replace("CARRIER", "1842.5 MHz"), bench)
    assert code == ExitCode.PASSED
    assert not stored.calibration


def test_a_missing_calibration_refuses_the_run_but_not_the_step_that_makes_it(tmp_path: Path) -> None:
    bench = bench_with(tmp_path, "calibration_policy: refuse")
    code, stored = execute(tmp_path, TONE.replace("CARRIER", "1842.5 MHz"), bench)
    assert code == ExitCode.BENCH
    assert "path tx1 has no calibration" in stored.reason
    code, _ = execute(tmp_path, CALIBRATE, bench)
    assert code == ExitCode.PASSED


def test_outside_the_grid_the_elements_count_with_a_warning(tmp_path: Path) -> None:
    few = [p for p in content()["points"] if p["frequency"] <= "1900 MHz"]
    bench = calibrated(tmp_path, policy="warn", points=few)
    code, stored = execute(tmp_path, TONE.replace("CARRIER", "2350 MHz"), bench)
    assert code == ExitCode.PASSED
    assert stored.calibration == (
        "path tx1 is not calibrated from 2.32 GHz to 2.38 GHz, where it is read: tx1.yaml goes from "
        "1.7 GHz to 1.9 GHz; there the losses of its elements count",
    )


@pytest.mark.parametrize(
    ("sensor", "asked", "moves", "told"),
    [
        (
            "signal_analyser",
            "to analyser input directly",
            (("generator", "tx1 port"),),
            "they are not connected to each other directly",
        ),
        (
            "power_meter",
            "take the radio off",
            (),
            "is not the loss of path tx1: its elements in the bench file make",
        ),
    ],
)
def test_a_person_who_connects_something_else_leaves_no_calibration_behind(
    tmp_path: Path, sensor: str, asked: str, moves: tuple[tuple[str, str], ...], told: str
) -> None:
    bench = bench_with(tmp_path)
    text = CALIBRATE.replace("readings: 2", f"readings: 2, sensor: {sensor}")
    code, stored = execute(
        tmp_path, text, bench, moves=lambda step: moves if asked in step.text else step.moves
    )
    assert code == ExitCode.BENCH
    assert told in stored.steps[0].reason
    assert not (tmp_path / "calibrations").exists()
