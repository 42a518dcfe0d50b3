"""The watchdog as the run knows it: refused where it does not get ready, missed when it is gone."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from hilkit.bench import Bench
from hilkit.clock import WallClock
from hilkit.errors import BenchError, SafetyStop
from hilkit.safety.watchdog import Watchdog, client
from tests.bench.trial import bench_of


@pytest.fixture(autouse=True)
def own_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path))


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return bench_of(tmp_path)


def in_its_place(monkeypatch: pytest.MonkeyPatch, program: str) -> None:
    """Start another program in place of the watchdog."""

    def start() -> subprocess.Popen[bytes]:
        command = [sys.executable, "-c", program]
        return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    monkeypatch.setattr(client, "_start", start)


def open_dog(bench: Bench, folder: Path) -> tuple[WallClock, Watchdog]:
    clock = WallClock()
    return clock, Watchdog(bench, clock=clock, folder=folder, visa="@py")


@pytest.mark.parametrize(
    ("program", "told"),
    [
        ("pass", "it ended while it started"),
        ("print('failed the VISA library is gone')", "cannot watch this run: the VISA library is gone"),
        ("import time; time.sleep(60)", "it was not ready after 0.3 s"),
    ],
)
def test_a_run_is_refused_where_the_watchdog_does_not_get_ready(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, program: str, told: str
) -> None:
    in_its_place(monkeypatch, program)
    monkeypatch.setattr(client, "READY_S", 0.3 if "sleep" in program else 20.0)
    monkeypatch.setattr(client, "LEAVE_S", 0.1)
    clock, dog = open_dog(bench, tmp_path)
    with dog, pytest.raises(BenchError, match=told):
        dog.arm()
    assert not clock.minded


def test_a_run_whose_watchdog_is_gone_stops_for_safety(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    in_its_place(monkeypatch, "import sys; sys.stdin.close(); print('ready', flush=True)")
    clock, dog = open_dog(bench, tmp_path)
    with dog:
        dog.arm()
        with pytest.raises(SafetyStop, match="the watchdog of this run has ended"):
            clock.sleep(30.0)
        assert not clock.minded, "what follows is the safe state, and is not broken off again"
        clock.sleep(0.0)


def test_it_is_taken_leave_of_where_the_bench_was_left_safe_and_not_where_it_was_not(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = tmp_path / "said.bin"
    program = (
        "import sys, pathlib; size = int(sys.stdin.buffer.readline()); sys.stdin.buffer.read(size); "
        "print('ready', flush=True); "
        f"pathlib.Path({str(copy)!r}).write_bytes(sys.stdin.buffer.read())"
    )
    in_its_place(monkeypatch, program)
    for safe in (True, False):
        _, dog = open_dog(bench, tmp_path)
        with dog:
            dog.arm()
            with dog.patient(20.0):
                pass
            if safe:
                dog.dismiss()
        said = copy.read_bytes().split(b"\n")
        assert said[0] == b"lease 1.500" and b"lease 20.000" in said
        assert (b"bye" in said) is safe


def test_the_process_is_in_a_group_of_its_own_and_finds_nothing_in_the_current_folder(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "queue.py").write_text("raise SystemExit('the wrong one')", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PYTHONPATH", raising=False)
    _, dog = open_dog(bench, tmp_path)
    with dog:
        dog.arm()
        if sys.platform != "win32":
            assert os.getsid(dog.pid) == os.getpgid(dog.pid) == dog.pid
        dog.dismiss()


def test_options_of_windows_detach_it_from_the_console(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: dict[str, Any] = {}
    monkeypatch.setattr(client.sys, "platform", "win32")
    monkeypatch.setattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0x200, raising=False)
    monkeypatch.setattr(subprocess, "DETACHED_PROCESS", 0x8, raising=False)
    monkeypatch.setattr(subprocess, "Popen", lambda *_, **options: seen.update(options))
    client._start()
    assert seen["creationflags"] == 0x208 and "start_new_session" not in seen
