"""Time: virtual time costs nothing, watchers see what happens during a wait."""

import datetime as dt
import threading

import pytest

from hilkit.clock import SLICE_S, Clock, VirtualClock, WallClock
from hilkit.errors import Interrupted


def test_an_hour_of_virtual_time_passes_at_once():
    clock = VirtualClock(dt.datetime(2026, 1, 1, tzinfo=dt.UTC))
    clock.sleep(3600.0)
    assert clock.now() == 3600.0
    assert clock.utc() == dt.datetime(2026, 1, 1, 1, tzinfo=dt.UTC)


def test_a_watcher_ends_a_wait_within_a_slice():
    clock = VirtualClock()

    def stop() -> None:
        if clock.now() > 10.0:
            raise Interrupted("stopped by a person")

    clock.watch(stop)
    with pytest.raises(Interrupted):
        clock.sleep(3600.0)
    assert 10.0 < clock.now() <= 10.0 + 2 * SLICE_S


def test_a_watcher_that_was_taken_away_is_not_called():
    clock = VirtualClock()
    calls: list[float] = []

    def watcher() -> None:
        calls.append(clock.now())

    clock.watch(watcher)
    clock.sleep(0.0)
    clock.unwatch(watcher)
    clock.sleep(1.0)
    assert calls == [0.0]


@pytest.mark.parametrize("length_s", [0.1, 0.3, 1 / 3, 1e-9, 7.7])
def test_a_sliced_wait_ends_exactly_and_soon(length_s):
    clock = VirtualClock()
    clock.sleep(1234.5678)
    clock.watch(lambda: None)
    start = clock.now()
    clock.sleep(length_s)
    assert clock.now() == pytest.approx(start + length_s, abs=1e-9)


def test_a_deadline_counts_down_and_passes():
    clock = VirtualClock()
    deadline = clock.deadline(2.0)
    clock.sleep(0.5)
    assert deadline.left == 1.5
    assert not deadline.passed
    clock.sleep(1.5)
    assert deadline.passed
    assert deadline.left == 0.0


def test_threads_share_one_virtual_time():
    clock = VirtualClock()
    threads = [threading.Thread(target=lambda: [clock.advance(0.5) for _ in range(200)]) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert clock.now() == 400.0


def test_threads_that_wait_at_once_wait_together():
    clock = VirtualClock()
    ready = threading.Barrier(4)

    def wait() -> None:
        ready.wait()
        for end_s in range(1, 101):
            clock.advance_to(end_s)

    threads = [threading.Thread(target=wait) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert clock.now() == 100.0


def test_the_wall_clock_moves_forward_and_has_a_zone():
    clock: Clock = WallClock()
    before = clock.now()
    clock.sleep(0.0)
    assert clock.now() >= before
    assert clock.utc().tzinfo is dt.UTC
    assert not clock.virtual
