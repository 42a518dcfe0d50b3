"""Who is watched, and how long a run waits for the watchdog of an earlier one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from hilkit.bench.watch import WatchSpec
from hilkit.clock import VirtualClock, WallClock
from hilkit.runner.watched import WAIT_S, Watch, patience
from tests.bench.trial import bench_of


def test_the_wait_for_an_earlier_watchdog_is_told_once_and_has_an_end() -> None:
    clock, notes = VirtualClock(), []
    wait = patience(clock, notes.append)
    while wait("the bench is being made safe by another"):
        pass
    assert WAIT_S <= clock.now() < WAIT_S + 1
    assert notes == [f"waiting up to {WAIT_S:g} s: the bench is being made safe by another"]


def test_nothing_is_watched_in_virtual_time(tmp_path: Path) -> None:
    clock, notes = VirtualClock(), []
    with Watch.over(
        bench_of(tmp_path), clock=clock, folder=tmp_path, manager=None, note=notes.append
    ) as watch:
        watch.arm()
        assert not clock.minded
        with watch.patient():
            watch.dismiss()
    assert notes == []


def test_a_bench_without_a_watchdog_says_so_in_every_run(tmp_path: Path) -> None:
    notes: list[str] = []
    bench = replace(bench_of(tmp_path), watch=WatchSpec(off="a relay opens"))
    with Watch.over(bench, clock=WallClock(), folder=tmp_path, manager=None, note=notes.append) as watch:
        watch.arm()
    assert notes == ["nobody switches RF off if this run dies: a relay opens (watchdog: off)"]
