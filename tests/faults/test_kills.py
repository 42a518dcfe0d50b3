"""A run that is killed or frozen leaves RF off within two seconds, and no finished reading is lost."""

from __future__ import annotations

import random
import signal
import sys
from collections.abc import Iterator

import pytest

from tests.faults.killing import Killed, ServedBench, bench_to_kill_on

SEED = 20261125
SOON_FREE = ("connection_hold: 3 s", "connection_hold: 200 ms")
DEADLINE_S = 2.0
"""RF off at the port after the run died: what the bench file promises where it says nothing else."""


def kills(bench: ServedBench, count: int, seed: int) -> list[Killed]:
    """Kill ``count`` runs at random moments, one in four by freezing it."""
    drawn = random.Random(seed)
    done: list[Killed] = []
    for number in range(count):
        freeze = number % 4 == 3
        done.append(bench.kill(signal.SIGSTOP if freeze else signal.SIGKILL, drawn.uniform(0.0, 0.9)))
    return done


def judged(done: list[Killed]) -> str:
    """Print the figures of kills, and check them."""
    times = sorted(each.off_s for each in done if each.was_on)
    figures = f"{len(done)} kills, RF on in {len(times)}: off after {times[len(times) // 2]:.2f} s (median), "
    figures += f"{times[-1]:.2f} s (maximum); {sum(bool(each.lost) for each in done)} runs lost a reading"
    print(figures)
    late = [
        f"after {each.after_s:.2f} s: {each.off_s:.2f} s\n{each.diary}"
        for each in done
        if each.off_s > DEADLINE_S
    ]
    assert not late, "\n".join([figures, *late])
    assert not [lost for each in done for lost in each.lost], figures
    return figures


if sys.platform != "win32":  # neither signal exists there; what the watchdog does is the same

    @pytest.fixture(scope="module")
    def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedBench]:
        folder = tmp_path_factory.mktemp("kills")
        with bench_to_kill_on(
            folder, changes=[("connection_hold: 3 s", "connection_hold: 200 ms")]
        ) as served:
            served.unbroken()
            yield served

    def test_rf_is_off_within_two_seconds_after_a_kill_at_a_random_moment(bench: ServedBench) -> None:
        done = kills(bench, 20, SEED)
        judged(done)
        assert sum(each.was_on for each in done) >= 10, "the moments were to be those with RF on"

    @pytest.mark.long
    def test_rf_is_off_within_two_seconds_after_each_of_200_kills(bench: ServedBench) -> None:
        judged(kills(bench, 200, SEED + 1))
