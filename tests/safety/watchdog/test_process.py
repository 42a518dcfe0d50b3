"""The process of the watchdog: what makes it act, what it does, and what it leaves alone."""

from __future__ import annotations

import os
import re
import signal
import socket
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from hilkit.bench import bench_lock, watch_lock
from hilkit.errors import BenchBusyError
from tests.safety.watchdog.served import Dog, served


def test_when_the_run_is_gone_rf_goes_off_and_it_is_written_down(tmp_path: Path) -> None:
    with served() as there:
        dog = Dog(there.bench, tmp_path)
        assert dog.answer == b"ready"
        there.switch_rf_on()
        dog.lease(30.0)
        code, said = dog.end()
        assert there.rf_on() == [False, False]
        assert there.world.pads["pad"].read() == 63.0
        assert there.world.relays["relay"].closed == frozenset()
    written = dog.diary.read_text(encoding="utf-8")
    assert code == 0
    assert "it has ended without a goodbye" in written and "is in its safe state" in written
    assert re.search(r"^2\S+Z RF of radio was switched off 0\.\d\d s after", written, re.MULTILINE)
    assert "watchdog: the bench 'simulated pier' is in its safe state" in said


def test_a_lease_that_runs_out_has_rf_off_and_one_dead_link_does_not_keep_it_on(tmp_path: Path) -> None:
    with served() as there, socket.create_server(("127.0.0.1", 0)) as silent:
        resource = f"TCPIP0::127.0.0.1::{silent.getsockname()[1]}::SOCKET"
        pad = replace(there.bench.instruments["pad"], resource=resource)
        bench = replace(there.bench, instruments={**there.bench.instruments, "pad": pad})
        dog = Dog(bench, tmp_path, bound_s=1.0)
        there.switch_rf_on()
        dog.lease(0.5)
        begun = time.monotonic()
        while any(there.rf_on()) and time.monotonic() - begun < 10:
            time.sleep(0.01)
        took_s = time.monotonic() - begun
        assert 0.4 < took_s < 2.0
        code, said = dog.end()
        assert there.world.relays["relay"].closed == frozenset()
    assert code == 7
    assert "no sign of life" in said
    assert "THE BENCH IS NOT SAFE: SWITCH OFF BY HAND" in said
    assert "pad IS NOT AT ITS MAXIMUM" in said and "RF of channel" not in said.partition("NOT SAFE")[2]


def test_after_a_goodbye_and_before_the_first_lease_it_touches_nothing(tmp_path: Path) -> None:
    with served() as there:
        there.switch_rf_on()
        for words in (b"lease 30.000\nbye\n", b""):
            dog = Dog(there.bench, tmp_path)
            assert dog.answer == b"ready"
            dog.say(words)
            assert dog.end() == (0, "")
        assert there.rf_on() == [True, True]
    assert not dog.diary.exists()


def test_it_holds_a_lock_of_its_own_until_the_bench_is_safe(tmp_path: Path) -> None:
    with served() as there:
        dog = Dog(there.bench, tmp_path)
        with (
            pytest.raises(BenchBusyError, match="made safe by the watchdog of a run that ended without"),
            bench_lock(there.bench, folder=tmp_path),
        ):
            pass
        second = Dog(there.bench, tmp_path)
        assert second.answer.startswith(b"failed ") and b"is in use" in second.answer
        second.end()
        dog.say(b"bye\n")
        dog.end()
        with bench_lock(there.bench, folder=tmp_path), watch_lock(there.bench, run=1, folder=tmp_path):
            pass


if sys.platform != "win32":

    def test_what_a_terminal_or_a_shutdown_sends_to_everybody_does_not_end_it(tmp_path: Path) -> None:
        with served() as there:
            dog = Dog(there.bench, tmp_path)
            there.switch_rf_on()
            dog.lease(30.0)
            for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
                os.kill(dog.process.pid, number)
            code, _ = dog.end()
            assert (code, there.rf_on()) == (0, [False, False])
