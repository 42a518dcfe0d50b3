"""The bench file says how a run is watched, and mistakes in it are told with their place."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.bench.watch import WatchSpec
from hilkit.errors import FileProblems
from tests.bench.trial import GOOD, bench_of


@pytest.mark.parametrize(
    ("entry", "spec", "longest_s"),
    [
        ("", WatchSpec(lease_s=1.5, rf_off_s=2.0), 1.5),
        ("watchdog: {lease: 500 ms}", WatchSpec(lease_s=0.5, rf_off_s=2.0), 1.5),
        ("watchdog: {lease: 4 s}", WatchSpec(lease_s=4.0, rf_off_s=4.5), 4.0),
        ("watchdog: {rf_off: 1 s}", WatchSpec(lease_s=0.5, rf_off_s=1.0), 0.5),
        ("watchdog: {lease: 1 s, rf_off: 10 s}", WatchSpec(lease_s=1.0, rf_off_s=10.0), 9.5),
        ("watchdog: {off: a relay opens}", WatchSpec(off="a relay opens"), 1.5),
    ],
)
def test_what_is_not_said_follows_from_what_is(
    tmp_path: Path, entry: str, spec: WatchSpec, longest_s: float
) -> None:
    watch = bench_of(tmp_path, f"{GOOD}{entry}\n").watch
    assert watch == spec
    assert watch.longest_s == longest_s


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        ("watchdog: {lease: 2 s, rf_off: 2 s}", "RF cannot be off by then: the lease is 2 s"),
        ("watchdog: {lease: 10 ms}", "this is too short"),
        ("watchdog: {rf_off: 600 ms}", "this is too short"),
        ("watchdog: {lease: 0 s}", "above 0 s"),
        ('watchdog: {off: " "}', "a reason is needed"),
        ("watchdog: {off: a relay opens, lease: 1 s}", "a watchdog that is off has no times"),
        ("watchdog: off", "to switch it off say why: watchdog: {off: REASON}"),
    ],
)
def test_a_mistake_is_told_in_its_line(tmp_path: Path, entry: str, told: str) -> None:
    with pytest.raises(FileProblems) as caught:
        bench_of(tmp_path, f"{GOOD}{entry}\n")
    assert told in str(caught.value)
    assert {problem.line for problem in caught.value.problems} == {len(GOOD.splitlines()) + 1}
