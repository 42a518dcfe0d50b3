"""A run begins only where the disk has room for it, and a disk that fills up meanwhile ends it in order."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from hilkit.bench import load_bench
from hilkit.errors import ExitCode, RecordError
from hilkit.files import Lab
from hilkit.plans import load_plan
from hilkit.record import DATABASE, Record
from hilkit.runner.planned import planned_steps
from hilkit.runner.room import Room
from tests.runner.trial import go

ROOT = Path(__file__).parents[2]


def test_without_twice_the_room_nothing_begins_and_the_figures_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hilkit.runner.room.free_bytes", lambda folder: 1_040_000)
    with pytest.raises(RecordError) as caught:
        go(tmp_path, "  - look: {}")
    assert "has 1.04 MB left; this run takes about 0.52 MB, and 1.04 MB are asked for" in str(caught.value)
    assert caught.value.exit_code is ExitCode.BENCH
    assert list((tmp_path / "run").iterdir()) == []


def test_a_disk_that_fills_up_between_two_steps_ends_the_run_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    left: Iterator[int] = iter((10_000_000, 10_000_000, 200_000))
    monkeypatch.setattr("hilkit.runner.room.free_bytes", lambda folder: next(left))
    done = go(tmp_path, "  - look: {id: a, rf: true}\n  - look: {id: b}")
    assert done.code is ExitCode.BENCH
    assert done.outcomes == ["a done none", "b skipped none"]
    assert "has 0.20 MB left; the next step takes 0.27 MB" in done.stored.reason
    assert done.rf_on == [False, False]


@pytest.mark.parametrize("name", ["night_check", "power_sweep", "channel_power"])
def test_the_estimate_grows_with_the_plan(name: str) -> None:
    """Measured on this plan of the library: the files of a run take between a fifth of it and all of it."""
    lab = Lab(None)
    plan, bench = load_plan(lab.find("plan", name), lab), load_bench("simulated_pier", lab)
    items = planned_steps(plan, bench, plan.steps)
    whole, one = Room.of(Path(), items, bench), Room.of(Path(), items[:1], bench)
    assert sum(whole.steps.values()) == pytest.approx(len(items) * sum(one.steps.values()), rel=0.01)
    assert 50_000 < sum(one.steps.values()) < 3_000_000


LIMITED = """
import sys
from pathlib import Path
from tests.runner.trial import laid
from hilkit.record import ReadingTaken, Record
from hilkit.runner import run
def limit_files(limit):
    try:
        import resource
    except ImportError:  # Windows has no such limit: SQLite's own on the pages of a file takes its place
        create = Record.create
        def small(*given, **named):
            record = create(*given, **named)
            record._connection.execute(f"PRAGMA max_page_count = {limit // 4096}")
            return record
        Record.create = small
    else:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
folder, limit = Path(sys.argv[1]), int(sys.argv[2])
steps = "\\n".join(
    f"  - look: {{id: s{n}, rf: true, series: {list(range(20))}}}" for n in range(8)
)
with laid(folder, steps) as table:
    out = folder / "run"
    out.mkdir()
    limit_files(limit)
    told = []
    def listener(event):
        if isinstance(event, ReadingTaken):
            told.append(event)
    code = run(table.plan, table.bench, clock=table.clock, resource_manager=table.manager, folder=out,
               lab=table.lab, listeners=[listener], seed=1)
    on = [table.world.radio.handle_line(f"rf {channel}") for channel in (1, 2)]
    print(int(code), len(told), *on, sep="|")
"""


@pytest.mark.parametrize("limit", [150_000, 700_000])
def test_a_full_disk_ends_the_run_with_the_bench_safe_and_every_finished_reading(
    tmp_path: Path, limit: int
) -> None:
    """A limit on the size of files (POSIX, setrlimit, RLIMIT_FSIZE) makes each write fail from there on."""
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(tmp_path), str(limit)],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    )
    code, told, *rf = done.stdout.strip().split("|")
    assert int(code) == ExitCode.BENCH
    assert rf == ["rf 1 off", "rf 2 off"]
    assert 0 < int(told) < 8 * 22
    stored = Record.open(tmp_path / "run")
    assert sum(len(step.readings) for step in stored.steps) >= int(told)
    with sqlite3.connect(tmp_path / "run" / DATABASE) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
