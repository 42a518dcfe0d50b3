"""Runs a short plan on a served bench, and ends the run in the middle."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from hilkit.cli.serve_command import served_bench
from hilkit.files import library
from hilkit.record import Record, StoredRun, differences

PLAN = """
plan: short
vary: {channel: [1, 2]}
steps:
  - bring_up: {channel: $channel, carrier: 1842.5 MHz, reference: external}
  - power_sweep: {channel: $channel, carrier: 1842.5 MHz, offset: 7.5 MHz, from: 0 dB, to: 12 dB, step: 1 dB}
"""

FASTER = (
    ("reference_lock_time: 1.2 s", "reference_lock_time: 100 ms"),
    ("calibration_time: 0.3 s", "calibration_time: 100 ms"),
    ("boot_time: 4 s", "boot_time: 500 ms"),
)

STILL = (
    ("droop: 0.03 dB", "droop: 0 dB\n        temperature_rise: 0.0"),
    ("off_residue: -85 dBm", "off_residue: -200 dBm"),
    ("off_residue: -88 dBm", "off_residue: -200 dBm"),
    ("off_isolation: 85 dB", "off_isolation: 200 dB"),
)
"""No warm-up, and nothing leaves a port that is off: a resumed run can be compared to the last bit."""

SECOND_MEANS = "second_means:\n  - {channels: [1, 2], instrument: supply, output: 1}\n"

PATIENCE_S = 40.0
"""What a wait may take on a computer that is busy with other things before a test gives up."""


@dataclass(frozen=True, kw_only=True)
class Killed:
    """What became of a run that was killed ``share`` of its way from the first RF to the last.

    ``off_s`` is how long RF was on at a port after the kill, in seconds, ``was_on`` whether it was on then;
    ``lost`` are readings that were finished and are not in the record; ``diary`` is what the watchdog wrote.
    """

    share: float
    was_on: bool
    off_s: float
    lost: tuple[str, ...]
    diary: str
    folder: Path


def until(condition: Callable[[], bool], *, what: str, within_s: float = PATIENCE_S) -> None:
    """Poll until something holds; AssertionError where it does not."""
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, f"waited {within_s:g} s: {what}"
        time.sleep(0.01)


class ServedBench:
    """A bench that other processes serve, and runs on it; make one with :func:`bench_to_kill_on`."""

    def __init__(self, folder: Path, starter: subprocess.Popen[str]) -> None:
        self.folder = folder
        self._starter = starter
        self._count = 0
        self._rf_bytes = (0, 0)
        self.whole: StoredRun

    def start(self, *extra: str) -> tuple[int, Path]:
        """Start a run of the plan; return its process and the folder that holds what it writes."""
        self._count += 1
        home = self.folder / f"run{self._count}"
        home.mkdir()
        args = ["run", str(self.folder / "plan.yaml"), "--bench", str(self.folder / "served.bench.yaml")]
        args += ["--lab", str(self.folder), "--out", str(home / "runs"), "--plain", *extra]
        assert self._starter.stdin is not None and self._starter.stdout is not None
        order = {"args": args, "out": str(home / "out.txt"), "told": str(home / "told.txt")}
        self._starter.stdin.write(json.dumps(order) + "\n")
        self._starter.stdin.flush()
        return int(self._starter.stdout.readline()), home

    def unbroken(self) -> StoredRun:
        """Do a whole run; remember its record, and from where to where in its transcript RF was on."""
        self.whole = self.whole_run()
        lines = transcript_of(self.whole.folder).read_bytes()
        self._rf_bytes = (lines.index(b"rf 1 on"), lines.rindex(b"rf 2 on"))
        return self.whole

    def whole_run(self, *extra: str) -> StoredRun:
        """Do a run that nobody disturbs and return its record."""
        pid, home = self.start(*extra)
        until(lambda: not alive(pid), what="the end of a whole run")
        stored = Record.open(run_folder(home))
        assert stored.complete, (home / "out.txt").read_text(encoding="utf-8")
        return stored

    def resumed(self, killed: Killed) -> list[str]:
        """Go on with a run that was killed; return in what its record differs from the unbroken one."""
        return differences(self.whole, self.whole_run("--resume", str(killed.folder)))

    def kill(self, number: signal.Signals, share: float, *, wait_s: float = 0.0) -> Killed:
        """Send a signal to a run that is ``share`` of its way through RF; wait for the watchdog to be done.

        The way is that of its transcript, for on a busy computer the same run takes longer. ``wait_s`` puts
        the moment between two lines.
        """
        pid, home = self.start()
        first, last = self._rf_bytes
        goal = first + share * (last - first)

        def there() -> bool:
            assert alive(pid), (home / "out.txt").read_text(encoding="utf-8")
            transcripts = home.glob("runs/*/transcript.txt")
            sizes = [path.stat().st_size for path in transcripts]
            return any(size >= goal for size in sizes)

        until(there, what="the run to be on its way")
        time.sleep(wait_s)
        at = time.monotonic()
        os.kill(pid, number)
        diary = run_folder(home) / "watchdog.txt"
        until(lambda: _over(diary), what=f"the watchdog to be done; {_text(diary)}")
        until(lambda: not alive(pid), what="the end of the run")
        changes = self.truth()
        before = [on for when, on in changes if when <= at]
        after = [when for when, on in changes if when > at and not on]
        assert changes and not changes[-1][1], f"RF is on in the end: {_text(diary)}"
        was_on = bool(before) and before[-1]
        return Killed(
            share=share,
            was_on=was_on,
            off_s=after[-1] - at if after else 0.0,
            lost=lost_readings(home),
            diary=_text(diary),
            folder=run_folder(home),
        )

    def truth(self) -> list[tuple[float, bool]]:
        """Return when RF came and went at the ports, all of them together."""
        lines = (self.folder / "truth.log").read_text(encoding="utf-8").splitlines()
        return [(float(at), word == "on") for at, word in (line.split() for line in lines)]


@contextlib.contextmanager
def bench_to_kill_on(
    folder: Path, *, changes: Sequence[tuple[str, str]] = (), second_means: bool = True
) -> Iterator[ServedBench]:
    """Serve the simulated bench, quicker than it is, with ``changes`` of its profile."""
    source = library() / "sim_profiles"
    text = (source / "simulated_pier.yaml").read_text(encoding="utf-8")
    for old, new in (*FASTER, *STILL, *changes):
        assert old in text, old
        text = text.replace(old, new)
    (folder / "sim_profiles").mkdir()
    profile = folder / "sim_profiles" / "killed_pier.yaml"
    profile.write_text(text, encoding="utf-8")
    for place in (folder, folder / "sim_profiles"):
        shutil.copy(source / "measured_line.s2p", place)
    (folder / "plan.yaml").write_text(PLAN, encoding="utf-8")
    environment = {**os.environ, "XDG_STATE_HOME": str(folder / "state")}
    with (
        _process("tests.faults.truth", str(profile), str(folder / "truth.log"), env=environment) as server,
        _process("tests.faults.forked", env=environment) as starter,
    ):
        assert server.stdout is not None and starter.stdout is not None
        addresses = json.loads(server.stdout.readline())
        resources = {name: f"TCPIP0::{host}::{port}::SOCKET" for name, (host, port) in addresses.items()}
        bench, _ = served_bench(source / "simulated_pier.bench.yaml", resources)
        assert SECOND_MEANS in bench
        bench = bench if second_means else bench.replace(SECOND_MEANS, "")
        (folder / "served.bench.yaml").write_text(bench, encoding="utf-8")
        assert starter.stdout.readline() == "ready\n"
        yield ServedBench(folder, starter)


@contextlib.contextmanager
def _process(module: str, *args: str, env: dict[str, str]) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "-m", module, *args],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
        env=env,
    )
    assert process.stdin is not None and process.stdout is not None
    try:
        yield process
    finally:
        process.stdin.close()
        process.wait(PATIENCE_S)
        process.stdout.close()


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def run_folder(home: Path) -> Path:
    """Return the folder of the only run below."""
    (folder,) = (home / "runs").iterdir()
    return folder


def lost_readings(home: Path) -> tuple[str, ...]:
    """Return the readings that were finished, as told by the run itself, and are not in the record."""
    told = home / "told.txt"
    finished = [json.loads(line) for line in told.read_text(encoding="utf-8").splitlines()]
    stored = Record.open(run_folder(home))
    kept = {str(each.key): each.value for step in stored.steps for each in step.readings}
    return tuple(key for key, value in finished if kept.get(key) != value)


def transcript_of(folder: Path) -> Path:
    return folder / "transcript.txt"


def _over(diary: Path) -> bool:
    return any(word in _text(diary) for word in ("in its safe state", "NOT SAFE"))


def _text(path: Path) -> str:
    return path.read_text(encoding="utf-8") if path.exists() else ""
