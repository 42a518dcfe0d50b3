"""One run at a time holds a bench, and the second is told who does."""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path

import pytest

from hilkit.bench import bench_lock, resource_lock, watch_lock
from hilkit.bench.lock import lock_folder
from hilkit.errors import BenchBusyError
from tests.bench.trial import bench_of, changed

HOLDER = """
import sys
from pathlib import Path
from hilkit.bench import bench_lock, load_bench
from hilkit.files import Lab

file, folder = map(Path, sys.argv[1:])
with bench_lock(load_bench(file, Lab(None)), owner="night run", folder=folder):
    print("held", flush=True)
    sys.stdin.readline()
"""


def hold(file: Path, folder: Path) -> subprocess.Popen[str]:
    """Start another process that holds the bench, and return once it does."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(file), str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def finish(process: subprocess.Popen[str]) -> None:
    process.communicate(timeout=30)


def test_another_process_that_holds_the_bench_is_named(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    process = hold(bench.file, tmp_path)
    try:
        with pytest.raises(BenchBusyError) as caught, bench_lock(bench, folder=tmp_path):
            pass
    finally:
        finish(process)
    message = str(caught.value)
    assert "trial bench is in use" in message
    assert f"night run on {platform.node()} (process {process.pid}) since 20" in message
    assert "ask its owner" in message
    with bench_lock(bench, folder=tmp_path):
        pass


def test_a_process_that_is_killed_frees_the_bench(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    process = hold(bench.file, tmp_path)
    process.kill()
    finish(process)
    assert list(tmp_path.glob("*.json")), "its notes are left behind, stale"
    with bench_lock(bench, owner="morning run", folder=tmp_path):
        notes = [json.loads(note.read_text(encoding="utf-8")) for note in tmp_path.glob("*.json")]
        assert {note["owner"] for note in notes} == {"morning run"}
        assert {note["pid"] for note in notes} == {os.getpid()}
    assert not list(tmp_path.glob("*.json"))


def test_two_benches_that_share_an_instrument_exclude_each_other(tmp_path: Path) -> None:
    first = bench_of(tmp_path)
    other = changed(
        ("bench: trial bench", "bench: other bench"),
        ("::5026", "::6026"),
        ("::5027", "::6027"),
        ("::5030", "::6030"),
    )
    second = bench_of(tmp_path, other)
    with (
        bench_lock(first, folder=tmp_path),
        pytest.raises(BenchBusyError, match="other bench is in use: TCPIP0::127"),
        bench_lock(second, folder=tmp_path),
    ):
        pass


def test_benches_without_a_common_instrument_run_side_by_side(tmp_path: Path) -> None:
    first = bench_of(tmp_path)
    moved = [(f"::{port}", f"::{port + 1000}") for port in (5025, 5026, 5027, 5030)]
    second = bench_of(tmp_path, changed(*moved))
    with bench_lock(first, folder=tmp_path), bench_lock(second, folder=tmp_path):
        pass


def test_an_exception_inside_frees_the_bench(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    with pytest.raises(ZeroDivisionError), bench_lock(bench, folder=tmp_path):
        raise ZeroDivisionError
    with bench_lock(bench, folder=tmp_path):
        pass


def test_a_simulated_bench_needs_no_lock(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, changed(("instruments:", "simulation: simulated_pier\ninstruments:")))
    with bench_lock(bench, folder=tmp_path), bench_lock(bench, folder=tmp_path):
        assert not list(tmp_path.glob("*.lock"))


def test_a_holder_without_a_note_is_told_as_such(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    with bench_lock(bench, folder=tmp_path):
        for note in tmp_path.glob("*.json"):
            note.write_text("{", encoding="utf-8")
        with (
            pytest.raises(BenchBusyError, match="another process that has left no note"),
            bench_lock(bench, folder=tmp_path),
        ):
            pass


def test_locks_lie_in_the_state_folder_of_the_user(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LOCALAPPDATA", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert lock_folder() == tmp_path / "hilkit" / "locks"
    assert lock_folder().is_dir()


def test_locks_lie_in_the_temporary_folder_where_there_is_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("", encoding="utf-8")
    monkeypatch.delenv("LOCALAPPDATA", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(blocked))
    monkeypatch.setattr(Path, "home", classmethod(lambda cls: blocked))
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))
    assert lock_folder() == tmp_path / "hilkit-locks"


def test_a_run_waits_for_the_watchdog_of_an_earlier_one_and_nothing_else_gets_in_between(
    tmp_path: Path,
) -> None:
    bench = bench_of(tmp_path)
    address = bench.radio_spec.address
    with ExitStack() as watchdog:
        watchdog.enter_context(watch_lock(bench, run=4711, folder=tmp_path))
        asked: list[str] = []

        def wait(holder: str) -> bool:
            asked.append(holder)
            if len(asked) == 3:
                watchdog.close()
            return True

        with pytest.raises(BenchBusyError, match="made safe by the watchdog") as caught:
            bench_lock(bench, folder=tmp_path).__enter__()
        assert f"(process {os.getpid()}) since 20" in str(caught.value)
        assert "watchdog of process 4711 on the bench 'trial bench'" in str(caught.value)
        with (
            pytest.raises(BenchBusyError, match="the instrument is being made safe by the watchdog"),
            resource_lock(address, "by hilkit talk", folder=tmp_path),
        ):
            pass
        with bench_lock(bench, folder=tmp_path, wait=wait):
            assert len(asked) == 3 and "trial bench" in asked[0]


def test_a_run_does_not_wait_for_a_watchdog_for_ever(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    with (
        watch_lock(bench, run=4711, folder=tmp_path),
        pytest.raises(BenchBusyError),
        bench_lock(bench, folder=tmp_path, wait=lambda _: False),
    ):
        pass
    with bench_lock(bench, folder=tmp_path):
        pass
