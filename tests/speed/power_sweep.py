"""The power sweep over loopback sockets against a bare PyVISA loop that sends the same lines.

The bench is served in another process in real time, so that each sweep truly takes its time. The points of a
sweep are timed from the first level that the procedure yields to the last; what passed over the links in that
time is then sent again by a loop without hilkit, which waits for each sweep as a careful script does: the
sweep time, then the event status register until it tells completion.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from hilkit.bench import load_bench
from hilkit.clock import WallClock
from hilkit.files import Lab
from hilkit.procedures import find
from hilkit.safety import Session
from tests.speed.figures import Figure, median
from tests.speed.served import PROFILE, served_bench

SWEEP_S = 0.02
"""Real sweep time of one point."""

CARRIER = "1842.5 MHz"
RADIO = "radio"
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
    """One procedure over sockets: the time from its first level to its last, in s, and the lines sent in it."""

    seconds: float = 0.0
    lines: list[tuple[str, str]] = field(default_factory=list)


class Loop:
    """The bare loop: PyVISA-py sessions and the lines, nothing else."""

    def __init__(self, manager: Any, resources: Mapping[str, str]) -> None:
        self._links = {name: self._open(manager, resource) for name, resource in resources.items()}

    def _open(self, manager: Any, resource: str) -> Any:
        return manager.open_resource(
            resource, read_termination="\n", write_termination="\n", timeout=3000, chunk_size=1 << 16
        )

    def run(self, lines: Sequence[tuple[str, str]]) -> float:
        """Send ``lines`` and read what they are answered with; return the time in s."""
        start = time.perf_counter()
        for instrument, text in lines:
            self._send(instrument, text)
        return time.perf_counter() - start

    def _send(self, instrument: str, text: str) -> None:
        link = self._links[instrument]
        if instrument == RADIO:
            link.write(text)
            while not link.read().endswith(
                text
            ):  # console lines come in between, the prompt ahead of the echo
                pass
            link.read()
        elif text == "*ESR?":
            while not int(link.query(text)) & 1:
                time.sleep(0.001)
        elif text.startswith(":TRAC"):
            link.query_binary_values(text, datatype="f", is_big_endian=True)
        elif "?" in text:
            link.query(text)
        else:
            link.write(text)
            if text.endswith("*OPC"):
                time.sleep(SWEEP_S)

    def close(self) -> None:
        for link in self._links.values():
            link.close()


@dataclass
class Wired:
    """A served bench, and what is needed to reach it."""

    manager: Any
    resources: Mapping[str, str]
    settings: Any
    lab: Lab = field(default_factory=Lab)

    @contextlib.contextmanager
    def session(self, kept: Kept) -> Iterator[Session]:
        bench = load_bench(self.lab.find("bench", PROFILE), self.lab).with_resources(self.resources)
        clock = WallClock()
        with bench.connect(self.manager, clock, kept, self.lab) as connected:
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
            for measured in find("power_sweep").measure(session, self.settings):
                now = time.perf_counter()
                if measured.name != "level":
                    break
                if not start:
                    start = now
                    kept.lines.clear()
                taken = Taken(seconds=now - start, lines=list(kept.lines))
        return taken

    def theirs(self, lines: Sequence[tuple[str, str]]) -> float:
        """Run the bare loop; return its time in s."""
        loop = Loop(self.manager, self.resources)
        try:
            return loop.run(lines)
        finally:
            loop.close()


def once_each(lines: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Drop repeated polls of the event register: the loop polls by itself."""
    return [line for before, line in zip([None, *lines], lines, strict=False) if line != before]


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield the ratio, the cost of a point, and how much of it is hilkit's own."""
    import pyvisa

    points, repeats = (2, 1) if quick else (20, 9)
    manager = pyvisa.ResourceManager("@py")
    with served_bench() as resources:
        wired = Wired(manager, resources, settings(points))
        wired.bring_up()
        wired.ours()
        taken = []
        for _ in range(repeats):
            ours = wired.ours()
            taken.append((ours.seconds, wired.theirs(once_each(ours.lines))))
    manager.close()
    each_ms = [(ours_s / points * 1e3, theirs_s / points * 1e3) for ours_s, theirs_s in taken]
    yield Figure(
        name="power sweep over a socket / bare loop, the same lines",
        value=median([ours_ms / theirs_ms for ours_ms, theirs_ms in each_ms]),
        unit="x",
        target="at most 1.10",
        note=f"{repeats} sweeps of {points} points, {len(ours.lines) / points:.0f} lines a point",
    )
    yield Figure(name="a point by hilkit", value=median([ours_ms for ours_ms, _ in each_ms]), unit="ms")
    yield Figure(
        name="a point by the bare loop",
        value=median([theirs_ms for _, theirs_ms in each_ms]),
        unit="ms",
        note=f"of which {SWEEP_S * 1e3:.0f} ms are the sweep",
    )
    yield Figure(
        name="hilkit's own cost of a point",
        value=median([ours_ms - theirs_ms for ours_ms, theirs_ms in each_ms]),
        unit="ms",
    )


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
