"""The power sweep over loopback sockets against a bare PyVISA loop that sends the same lines.

The bench is served in another process in real time, so that each sweep truly takes its time. The points of a
sweep are timed from the first level that the procedure yields to the last; what passed over the links in that
time is then sent again by a loop without hilkit, which waits for each sweep as a careful script does: the
sweep time, then the event status register until it tells completion.
"""

from __future__ import annotations

import contextlib
import sqlite3
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyvisa

from hilkit.bench import Bench, load_bench
from hilkit.clock import WallClock
from hilkit.errors import ExitCode
from hilkit.files import Lab
from hilkit.plans import load_plan
from hilkit.procedures import find
from hilkit.record import Event, ReadingTaken
from hilkit.runner import run
from hilkit.safety import Session
from tests.speed.bare_loop import SWEEP_S, BareLoop
from tests.speed.figures import Figure, median, timed_ms
from tests.speed.served import PROFILE, served_bench

CARRIER = "1842.5 MHz"
PLAN = """\
plan: power sweep
bench: simulated_pier
steps:
  - power_sweep:
      channel: 1
      carrier: 1842.5 MHz
      offset: 7.5 MHz
      from: 0 dB
      to: {points} dB
      step: 1 dB
      sweep_time: {sweep_s} s
"""
SENT = "->"


@dataclass
class Kept:
    """A transcript that keeps what is sent, in order."""

    lines: list[tuple[str, str]] = field(default_factory=list)

    def line(self, instrument: str, direction: str, text: str) -> None:
        if direction == SENT:
            self.lines.append((instrument, text))


@dataclass
class Taken:
    """One procedure over sockets: seconds from its first level to its last, and the lines sent in them."""

    seconds: float = 0.0
    lines: list[tuple[str, str]] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True)
class Row:
    """Seconds of one sweep: by a run of hilkit, by its procedure alone, and its lines by the bare loop.

    ``quick_s`` is the loop that sends small packets at once, ``plain_s`` the one that gathers them.
    """

    run_s: float
    ours_s: float
    quick_s: float
    plain_s: float
    lines: int


@dataclass
class Wired:
    """A served bench, and what is needed to reach it."""

    manager: Any
    resources: Mapping[str, str]
    points: int
    lab: Lab = field(default_factory=Lab)

    def bench(self) -> Bench:
        return load_bench(self.lab.find("bench", PROFILE), self.lab).with_resources(self.resources)

    @contextlib.contextmanager
    def session(self, kept: Kept) -> Iterator[Session]:
        clock = WallClock()
        with self.bench().connect(self.manager, clock, kept, self.lab) as connected:
            yield Session(connected, clock)

    def bring_up(self) -> None:
        with self.session(Kept()) as session:
            procedure = find("bring_up")
            chosen = {"channel": 1, "carrier": CARRIER, "reference": "external"}
            list(procedure.measure(session, procedure.settings_model.model_validate(chosen)))

    def ours(self) -> Taken:
        """Run the procedure, and time its points from the first level to the last."""
        kept, taken, start = Kept(), Taken(), 0.0
        with self.session(kept) as session:
            for measured in find("power_sweep").measure(session, settings(self.points)):
                now = time.perf_counter()
                if measured.name != "level":
                    break
                if not start:
                    start = now
                    kept.lines.clear()
                taken = Taken(seconds=now - start, lines=list(kept.lines))
        return taken

    def whole_run(self) -> float:
        """Run a plan of it, record and transcript on disk; return the time from first to last level in s."""
        times: list[float] = []

        def listener(event: Event) -> None:
            if isinstance(event, ReadingTaken) and event.reading.key.name == "level":
                times.append(time.perf_counter())

        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            plan = folder / "sweep.yaml"
            plan.write_text(PLAN.format(points=self.points, sweep_s=SWEEP_S), encoding="utf-8")
            code = run(
                load_plan(plan, self.lab),
                self.bench(),
                clock=WallClock(),
                resource_manager=self.manager,
                folder=folder,
                lab=self.lab,
                listeners=[listener],
            )
        assert code is ExitCode.PASSED, code
        return times[-1] - times[0]

    def theirs(self, lines: Sequence[tuple[str, str]], *, nodelay: bool) -> float:
        """Run the bare loop; return its time in s."""
        loop = BareLoop(self.manager, self.resources, nodelay=nodelay)
        try:
            return loop.run(lines)
        finally:
            loop.close()


def once_each(lines: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Drop repeated polls of the event register: the loop polls by itself."""
    return [line for before, line in zip([None, *lines], lines, strict=False) if line != before]


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield the ratio, the cost of a point, and how much of it is hilkit's own."""
    points, repeats = (2, 1) if quick else (20, 9)
    manager = pyvisa.ResourceManager("@py")
    with served_bench() as resources:
        wired = Wired(manager, resources, points)
        wired.bring_up()
        wired.ours()
        taken = [_side_by_side(wired) for _ in range(repeats)]
    manager.close()
    yield from _report(taken, points)


def _side_by_side(wired: Wired) -> Row:
    ours = wired.ours()
    lines = once_each(ours.lines)
    quick_s, plain_s = (wired.theirs(lines, nodelay=nodelay) for nodelay in (True, False))
    return Row(
        run_s=wired.whole_run(), ours_s=ours.seconds, quick_s=quick_s, plain_s=plain_s, lines=len(ours.lines)
    )


def _report(taken: Sequence[Row], points: int) -> Iterator[Figure]:
    yield Figure(
        name="power sweep over a socket / bare loop, the same lines",
        value=median([row.run_s / row.quick_s for row in taken]),
        unit="x",
        target="at most 1.10",
        note=f"{len(taken)} sweeps of {points} points, {taken[-1].lines / points:.0f} lines a point",
    )
    yield Figure(
        name="the procedure alone, without record and transcript on disk",
        value=median([row.ours_s / row.quick_s for row in taken]),
        unit="x",
    )
    yield Figure(
        name="the run / a loop with PyVISA-py's own socket options",
        value=median([row.run_s / row.plain_s for row in taken]),
        unit="x",
    )
    each_ms = 1e3 / points
    for name, values in (
        ("a point of the run", [row.run_s for row in taken]),
        (f"a point by the bare loop, {SWEEP_S * 1e3:.0f} ms of it the sweep", [row.quick_s for row in taken]),
        ("hilkit's own cost of a point", [row.run_s - row.quick_s for row in taken]),
        ("of this the procedure", [row.ours_s - row.quick_s for row in taken]),
        ("of this record and transcript", [row.run_s - row.ours_s for row in taken]),
    ):
        yield Figure(name=name, value=median(values) * each_ms, unit="ms")
    yield Figure(name="one row made durable by SQLite on this disk", value=_durable_row_ms(), unit="ms")


def _durable_row_ms() -> float:
    with tempfile.TemporaryDirectory() as name:
        database = sqlite3.connect(Path(name) / "one.sqlite", isolation_level=None)
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA synchronous = FULL")
        database.execute("CREATE TABLE row (number)")
        middle_ms, _ = timed_ms(lambda number: database.execute("INSERT INTO row VALUES (?)", (number,)), 101)
        database.close()
    return middle_ms


def settings(points: int) -> Any:
    """Return the settings of a sweep with ``points`` points after the first."""
    chosen = {
        "channel": 1,
        "carrier": CARRIER,
        "offset": "7.5 MHz",
        "from": "0 dB",
        "to": f"{points} dB",
        "step": "1 dB",
        "sweep_time": f"{SWEEP_S} s",
    }
    return find("power_sweep").settings_model.model_validate(chosen)
