"""One run of the short plan with a fault in it, and what the simulator itself saw of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from hilkit.bench import Bench, load_bench
from hilkit.clock import VirtualClock
from hilkit.errors import ExitCode
from hilkit.files import Lab
from hilkit.plans import Plan, load_plan
from hilkit.record import Event, Record, StepEnded, StoredRun
from hilkit.runner import run
from hilkit.sim.bench import SimulatedBench
from hilkit.sim.profile import Fault, load_profile
from hilkit.sim.visa import resource_manager
from hilkit.sim.world import World

PLAN = Path(__file__).with_name("plan.yaml")
SEED = 1


class WatchedClock(VirtualClock):
    """Notes at each move of the time whether any port was on before it: the truth, not what anybody says."""

    def __init__(self) -> None:
        super().__init__()
        self.hot: Any = lambda: False
        self.spans: list[tuple[float, float]] = []
        """When RF was on at any port, from and to in s."""

    def _note(self, until: float) -> None:
        now = self.now()
        if until > now and self.hot():
            if self.spans and self.spans[-1][1] == now:
                self.spans[-1] = (self.spans[-1][0], until)
            else:
                self.spans.append((now, until))

    def advance(self, seconds: float) -> None:
        self._note(self.now() + seconds)
        super().advance(seconds)

    def advance_to(self, at: float) -> None:
        self._note(at)
        super().advance_to(at)

    def off_from(self, at: float) -> float:
        """Return when, at or after ``at``, RF was first off at every port."""
        for start, end in self.spans:
            if start <= at < end:
                return end
        return at

    def last_on_s(self, since: float, until: float) -> float:
        """Return how long after ``since`` RF was last on before ``until``, 0 where it never was."""
        ends = [min(end, until) for start, end in self.spans if end > since and start < until]
        return max(ends) - since if ends else 0.0


@dataclass
class Seen:
    """What came of a run. ``struck_s`` is when the fault first struck, ``nan`` for never."""

    code: ExitCode
    stored: StoredRun
    clock: WatchedClock
    lines: dict[str, list[str]]
    ended: list[tuple[float, StepEnded]]
    struck_s: float = math.nan
    struck_line: str = ""
    hot_at_end: bool = False
    acknowledged: list[Any] = field(default_factory=list)

    @property
    def outcomes(self) -> list[str]:
        return [f"{step.step} {step.outcome} {step.verdict}" for step in self.stored.steps]


@cache
def loaded() -> tuple[Plan, Bench, Lab, Any]:
    lab = Lab(None)
    profile = load_profile(lab.find("profile", "simulated_pier"), lab)
    return load_plan(PLAN, lab), load_bench("simulated_pier", lab), lab, profile


def go(folder: Path, faults: Sequence[Fault] = ()) -> Seen:
    """Run the plan with ``faults``."""
    plan, bench, lab, profile = loaded()
    clock = WatchedClock()
    world = World(profile, clock, SEED)
    simulated = SimulatedBench(world, faults=faults)
    manager = resource_manager(simulated)
    lines: dict[str, list[str]] = {}
    struck: list[tuple[float, str]] = []
    plain = simulated.faults.strike

    def strike(instrument: str, line: str) -> Any:
        lines.setdefault(instrument, []).append(line)
        found = plain(instrument, line)
        if found:
            struck.append((clock.now(), f"{instrument}: {line}"))
        return found

    simulated.faults.strike = strike  # type: ignore[method-assign]
    clock.hot = lambda: world.radio.powered and any(each.rf_on for each in world.radio.channels.values())
    ended: list[tuple[float, StepEnded]] = []
    acknowledged: list[Any] = []

    def listen(event: Event) -> None:
        if isinstance(event, StepEnded):
            ended.append((clock.now(), event))
        elif type(event).__name__ == "ReadingTaken":
            acknowledged.append(event)

    try:
        code = run(
            plan,
            bench,
            clock=clock,
            resource_manager=manager,
            folder=folder,
            lab=lab,
            listeners=[listen],
            seed=SEED,
        )
    finally:
        manager.close()
    at_s, line = struck[0] if struck else (math.nan, "")
    return Seen(
        code=code,
        stored=Record.open(folder),
        clock=clock,
        lines=lines,
        ended=ended,
        struck_s=at_s,
        struck_line=line,
        hot_at_end=clock.hot(),
        acknowledged=acknowledged,
    )
