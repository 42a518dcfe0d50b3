"""Runs a plan on a bench, from the first event to the safe state and the last event."""

from __future__ import annotations

import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from hilkit.bench import Bench, Connected, bench_lock
from hilkit.clock import Clock
from hilkit.errors import BenchError, BenchNotSafe, ExitCode, HilkitError, Interrupted, worst_exit
from hilkit.files import Lab
from hilkit.masking import masked
from hilkit.plans import Plan
from hilkit.record import TRACEBACK, TRANSCRIPT, Listener, NoteTaken, Record, RunEnded
from hilkit.runner.bench_safety import BenchSafety
from hilkit.runner.bus import Bus
from hilkit.runner.calibration import Calibrations
from hilkit.runner.choice import Choice, choose
from hilkit.runner.combinations import Combinations, Stage
from hilkit.runner.fingerprint import fingerprint
from hilkit.runner.interrupt import StopRequest
from hilkit.runner.planned import Item, planned_steps, run_begun
from hilkit.runner.resume import Resumption
from hilkit.runner.room import Room
from hilkit.runner.tail import Tail
from hilkit.runner.watched import Watch, patience
from hilkit.safety import OnPerson

__all__ = ["run"]

_LONGEST = 120
"""Length in characters of the reason that skipped steps share."""


def run(
    plan: Plan,
    bench: Bench,
    *,
    clock: Clock,
    resource_manager: Any,
    folder: Path,
    lab: Lab,
    listeners: Sequence[Listener] = (),
    only: Sequence[str] = (),
    from_step: str | None = None,
    seed: int | None = None,
    on_person: OnPerson | None = None,
    resume: Resumption | None = None,
) -> ExitCode:
    """Run ``plan`` on ``bench`` and return the exit code; the record in ``folder`` tells the rest.

    ``resume`` is an earlier run of the same plan and choice, whose finished steps are carried over.

    Nothing that happens on the bench is raised: it is in the record and in the exit code. Raises
    ``UsageError`` for a step that the plan does not have, and ``RecordError`` where the record cannot even be
    begun.
    """
    steps = choose(plan, only=only, from_step=from_step)
    items = planned_steps(plan, bench, steps)
    left = items if resume is None else resume.left(items)
    carried = 0 if resume is None else resume.source.path.stat().st_size
    room = Room.of(folder, left, bench, carried=carried)
    room.look_before_the_run()
    disk = getattr(resource_manager.visalib, "write_to_disk", None) if clock.virtual else None
    record = Record.create(folder, durable=not clock.virtual, before_write=disk)
    try:
        reached_s = 0.0 if resume is None else resume.reached_s
        bus = Bus(record.listener, listeners, clock, reached_s=reached_s)
        choice = Choice(only=tuple(only), from_step=from_step, sets=dict(plan.sets), bench=plan.bench)
        runs = [(item[1], item[2]) for combination in items for item in combination]
        calibrations = Calibrations.of(bench, runs, plan.allow_expired_calibration, clock.utc().date())
        stage = Stage(
            bench=bench,
            bus=bus,
            clock=clock,
            folder=folder,
            calibrations=calibrations,
            on_person=on_person,
            resume=resume,
            room=room,
        )
        bus.emit(
            run_begun(
                plan,
                bench,
                [item[0] for combination in items for item in combination],
                calibrations,
                seed=seed,
                choice=choice,
                fingerprint=fingerprint(plan, bench, lab),
                resumed=() if resume is None else resume.chain,
            )
        )
        return _Run(stage, items, left, lab).go(resource_manager)
    finally:
        record.close()


class _Run:
    """One run at work."""

    def __init__(self, stage: Stage, items: list[list[Item]], left: list[list[Item]], lab: Lab) -> None:
        self.stage = stage
        self.lab = lab
        self.safety = BenchSafety(stage.bench, stage.bus, stage.clock)
        self.planned = bool(items)
        self.work = Combinations(stage, self.safety, left, count=len(items))

    def go(self, resource_manager: Any) -> ExitCode:
        reason = ""
        codes = self.work.codes
        for note in self.stage.resume.notes if self.stage.resume is not None else ():
            self.stage.bus.emit(NoteTaken(step=0, text=note))
        if not self.planned:
            reason = "nothing ran: no step was chosen"
            codes.append(ExitCode.NOTHING_RAN)
        else:
            stop = self._refused() or self._on_the_bench(resource_manager)
            stop = stop or self.safety.disobeyed  # at the end too: what went well until then is no excuse
            if stop is not None:
                reason = self._stopped(stop)
        bus, safety = self.stage.bus, self.safety
        if safety.not_safe:
            codes.append(ExitCode.NOT_SAFE)
        elif safety.made_safe:
            bus.farewell(NoteTaken(step=0, text=safety.told))
        code = worst_exit(codes)
        bus.farewell(RunEnded(exit_code=code, reason=reason, not_safe=tuple(safety.not_safe)))
        return worst_exit([code, ExitCode.BENCH]) if bus.broken else code

    def _stopped(self, stop: HilkitError) -> str:
        """Close what is open after a stop and return the reason of the run's end."""
        safe_after_all = isinstance(stop, BenchNotSafe) and not self.safety.not_safe
        self.work.codes.append(ExitCode.BENCH if safe_after_all else stop.exit_code)
        self.work.break_off(str(stop), _why_skipped(stop))
        if isinstance(stop, BenchNotSafe) and self.safety.not_safe:
            # what is not safe is told in full below it
            return "the bench could not be brought to its safe state"
        return str(stop)

    def _refused(self) -> HilkitError | None:
        """Return why nothing is to run on this bench, before anything of it is touched."""
        refused = self.stage.calibrations.refused
        if not refused:
            return None
        return BenchError(
            "refused by the calibration_policy of the bench file: " + "; ".join(refused),
            next_step=self.stage.calibrations.cure,
        )

    def _on_the_bench(self, resource_manager: Any) -> HilkitError | None:
        """Do all steps; return what stopped the run, ``None`` if it came to its end."""
        stage = self.stage
        try:
            with StopRequest(stage.clock) as request, Tail(stage.folder / TRANSCRIPT, stage.clock) as tail:
                stage.clock.look()
                with (
                    bench_lock(stage.bench, wait=patience(stage.clock, self._note)),
                    Watch.over(
                        stage.bench,
                        clock=stage.clock,
                        folder=stage.folder,
                        manager=resource_manager,
                        note=self._note,
                    ) as self.safety.watch,
                    self._connect(resource_manager, tail, request) as connected,
                    self.safety.left_safe(connected, request),
                ):
                    self.work.run(connected, tail, request)
        except HilkitError as error:
            return error
        except KeyboardInterrupt:
            return Interrupted("stopped by Ctrl-C")
        except Exception as error:
            return self._defect(error)
        return None

    def _connect(self, resource_manager: Any, tail: Tail, request: StopRequest) -> Connected:
        try:
            fresh = self.stage.resume is None  # else nothing is set before it is known who answers
            return self.stage.bench.connect(resource_manager, self.stage.clock, tail, self.lab, prepare=fresh)
        except Exception:
            request.disarm()
            self.safety.quieten(resource_manager, tail)
            raise

    def _note(self, text: str) -> None:
        self.stage.bus.emit(NoteTaken(step=0, text=text))

    def _defect(self, error: Exception) -> BenchError:
        path = self.stage.folder / TRACEBACK
        try:
            with path.open("a", encoding="utf-8") as file:
                file.write(f"{masked(traceback.format_exc())}\n")
        except OSError as trouble:
            return BenchError(
                f"a defect in hilkit: {type(error).__name__}: {error} (not written down: {trouble})"
            )
        return BenchError(
            f"a defect in hilkit: {type(error).__name__}: {error}",
            next_step=f"send {path} to the maintainers",
        )


def _why_skipped(stop: HilkitError) -> str:
    """Return one line on what kept a step from its turn; the whole of it is told once, for the run."""
    if isinstance(stop, Interrupted):
        return f"the run was {stop.message}"
    if isinstance(stop, BenchNotSafe):
        return "the run stopped: the bench could not be brought to its safe state"
    first = stop.message.splitlines()[0]
    return f"the run stopped: {first if len(first) <= _LONGEST else first[: _LONGEST - 3] + '...'}"
