"""Runs a plan on a rehearsed bench and gathers what the simulation knows of it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from hilkit.bench import Bench
from hilkit.bench.interlocks import Interlock
from hilkit.clock import WallClock
from hilkit.errors import BenchError, ExitCode, worst_exit
from hilkit.files import Lab
from hilkit.instruments import FileTranscript
from hilkit.instruments.transcript import NOTE
from hilkit.plans import Plan, Step, power_budget
from hilkit.record import TRANSCRIPT, Listener, Outcome, Record
from hilkit.reports.rehearsal import NodeSeen, RehearsalFindings, StepTime
from hilkit.runner import Calibrations, choose, run
from hilkit.safety import PersonStep
from hilkit.safety.watchdog import unwatched
from hilkit.sim.levels import Seen
from hilkit.sim.world import World
from hilkit.testing.rehearsal.bench import stage

__all__ = ["Rehearsal", "rehearse", "would_be_told"]


@dataclass(frozen=True, kw_only=True)
class Rehearsal:
    """A rehearsal that is over: the exit code of a real run that went the same way, and all findings."""

    code: ExitCode
    findings: RehearsalFindings


def rehearse(
    plan: Plan,
    bench: Bench,
    *,
    folder: Path,
    lab: Lab,
    listeners: Sequence[Listener] = (),
    only: Sequence[str] = (),
    from_step: str | None = None,
    seed: int | None = None,
) -> Rehearsal:
    """Run ``plan`` on simulated counterparts of everything on ``bench``, in virtual time, into ``folder``.

    ``plan`` has to fit the bench (``hilkit.plans.check_fit``). Nothing of the bench is opened. Raises
    ``BenchError`` for an instrument that cannot be simulated.
    """
    steps = choose(plan, only=only, from_step=from_step)
    refused, told = would_be_told(plan, bench, steps)
    with stage(bench, plan, lab, seed=seed) as played:
        world = played.world

        def move(step: PersonStep) -> None:
            for instrument, plane in step.moves:
                world.connect(instrument, plane)

        with FileTranscript(folder / TRANSCRIPT, played.clock) as transcript:
            transcript.line("rehearsal", NOTE, f"REHEARSAL of {bench.name}: every answer below is simulated")
        code = run(
            plan,
            played.bench,
            clock=played.clock,
            resource_manager=played.resource_manager,
            folder=folder,
            lab=lab,
            listeners=listeners,
            only=only,
            from_step=from_step,
            seed=world.seed,
            on_person=move,
        )
        findings = RehearsalFindings(
            bench=bench.name,
            seed=world.seed,
            nodes=tuple(_nodes(plan, bench, world)),
            times=tuple(_times(folder, played.clock.now())),
            refused=refused,
            told=told,
            doubts=played.doubts.sentences(),
        )
    return Rehearsal(code=worst_exit([code, ExitCode.BENCH]) if refused else code, findings=findings)


def would_be_told(plan: Plan, bench: Bench, steps: Sequence[Step]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return why a run on the real bench would be refused today, and what else it would tell or ask for."""
    runs = [(combination, step) for combination, step in plan.runs() if step in steps]
    today = WallClock().utc().date()
    calibrations = Calibrations.of(bench, runs, plan.allow_expired_calibration, today)
    refused = [f"calibration_policy: {sentence}" for sentence in calibrations.refused]
    refused += [f"{problem.message} ({problem.next_step})" for problem in unwatched(bench)]
    told = [sentence for sentence in calibrations.told if sentence not in calibrations.refused]
    asking = [step.id for step in steps if step.procedure.asks_person]
    told += [
        f"interlock {each.name}: {each.subject()} has to be {each.allowed}; here it was taken for granted"
        for each in _asked(bench)
    ]
    if asking:
        told.append(f"{', '.join(asking)}: somebody at the bench, and a terminal, since a person is asked")
    return tuple(refused), tuple(told)


def _asked(bench: Bench) -> Iterable[Interlock]:
    """Yield the interlocks whose answer a rehearsal can only assume."""
    return (interlock for interlock in bench.interlocks.values() if interlock.ask)


def _times(folder: Path, whole_s: float) -> Iterable[StepTime]:
    stored = Record.open(folder)
    taken: dict[str, list[float]] = {}
    for step in stored.steps:
        if step.outcome is not Outcome.SKIPPED:
            taken.setdefault(step.step, []).append(step.took_s)
    for name, times in taken.items():
        yield StepTime(step=name, count=len(times), longest_s=max(times), total_s=sum(times))
    rest_s = max(0.0, whole_s - sum(map(sum, taken.values())))
    yield StepTime(step="set-up and safe state", count=1, longest_s=rest_s, total_s=rest_s)


def _nodes(plan: Plan, bench: Bench, world: World) -> Iterable[NodeSeen]:
    """Yield what the simulation saw at each node, beside what the budget of the plan says."""
    try:
        predicted = {each.node: each.level_dbm for each in power_budget(plan, bench)}
    except BenchError:
        predicted = {}
    seen: dict[str, Seen] = {}
    for number in bench.channels:
        path = bench.path(number)
        along = world.levels.along(path.name)
        for node in path.nodes:
            here = along[path.place(node)]
            last = seen.get(node, Seen())
            seen[node] = Seen(
                average_dbm=max(here.average_dbm, last.average_dbm),
                peak_dbm=max(here.peak_dbm, last.peak_dbm),
            )
    seen |= {f"{name} sensor": world.levels.at_sensor(name) for name in world.meters}
    for node, each in seen.items():
        yield NodeSeen(
            node=node,
            average_dbm=each.average_dbm,
            peak_dbm=each.peak_dbm,
            predicted_dbm=predicted.get(node, -math.inf),
            rating_dbm=bench.ratings.get(node),
            peak_rating_dbm=bench.peak_ratings.get(node),
        )
