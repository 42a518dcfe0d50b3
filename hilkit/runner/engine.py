"""Runs a plan on a bench, from the first event to the safe state and the last event."""

from __future__ import annotations

import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from hilkit.bench import Bench, Connected, bench_lock
from hilkit.bench.connected import open_one
from hilkit.clock import Clock
from hilkit.errors import (
    BenchError,
    BenchNotSafe,
    ExitCode,
    HilkitError,
    Interrupted,
    LinkError,
    worst_exit,
)
from hilkit.files import Lab
from hilkit.plans import Plan
from hilkit.readings import Verdict
from hilkit.record import (
    TRACEBACK,
    TRANSCRIPT,
    CombinationBegun,
    FactNoted,
    Listener,
    NoteTaken,
    Outcome,
    PlannedStep,
    Record,
    RunEnded,
    StepEnded,
)
from hilkit.runner.bus import Bus
from hilkit.runner.choice import choice_text, choose
from hilkit.runner.interrupt import StopRequest
from hilkit.runner.planned import Item, planned_steps, run_begun
from hilkit.runner.step import StepRun
from hilkit.runner.tail import Tail
from hilkit.safety import Session, make_safe

__all__ = ["run"]

_CODES = {
    Verdict.NONE: ExitCode.PASSED,
    Verdict.PASS: ExitCode.PASSED,
    Verdict.INCONC: ExitCode.INCONCLUSIVE,
    Verdict.FAIL: ExitCode.LIMIT_FAILED,
    Verdict.ERROR: ExitCode.BENCH,
}


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
) -> ExitCode:
    """Run ``plan`` on ``bench`` and return the exit code; the record in ``folder`` tells the rest.

    Nothing that happens on the bench is raised: it is in the record and in the exit code. Raises
    ``UsageError`` for a step that the plan does not have, and ``RecordError`` where the record cannot even be
    begun.
    """
    steps = choose(plan, only=only, from_step=from_step)
    items = planned_steps(plan, bench, steps)
    record = Record.create(folder, durable=not clock.virtual)
    try:
        bus = Bus(record.listener, listeners, clock)
        planned = [item[0] for combination in items for item in combination]
        chosen = choice_text(only=only, from_step=from_step, sets=dict(plan.sets))
        bus.emit(run_begun(plan, bench, planned, seed=seed, chosen=chosen))
        return _Run(bench, items, bus, clock, folder, lab).go(resource_manager)
    finally:
        record.close()


class _Run:
    """One run at work."""

    def __init__(
        self, bench: Bench, items: list[list[Item]], bus: Bus, clock: Clock, folder: Path, lab: Lab
    ) -> None:
        self.bench = bench
        self.items = items
        self.bus = bus
        self.clock = clock
        self.folder = folder
        self.lab = lab
        self.codes: list[ExitCode] = []
        self.not_safe: list[str] = []
        self.at_work = 0
        self.open = {item[0].number: item[0] for combination in items for item in combination}

    def go(self, resource_manager: Any) -> ExitCode:
        reason = ""
        if not self.open:
            reason = "nothing ran: no step was chosen"
            self.codes.append(ExitCode.NOTHING_RAN)
        else:
            stop = self._on_the_bench(resource_manager)
            if stop is not None:
                self.codes.append(stop.exit_code)
                reason = str(stop)
                self._break_off(stop)
        if self.not_safe:
            self.codes.append(ExitCode.NOT_SAFE)
        code = worst_exit(self.codes)
        self.bus.farewell(RunEnded(exit_code=code, reason=reason, not_safe=tuple(self.not_safe)))
        return worst_exit([code, ExitCode.BENCH]) if self.bus.broken else code

    def _break_off(self, stop: HilkitError) -> None:
        """Close the step at work as an error and skip the others."""
        at_work = self.open.pop(self.at_work, None)
        if at_work is not None:
            self.bus.farewell(
                StepEnded(planned=at_work, outcome=Outcome.ERROR, verdict=Verdict.ERROR, reason=str(stop))
            )
        self._skip(list(self.open.values()), f"the run stopped: {stop.message}")

    def _on_the_bench(self, resource_manager: Any) -> HilkitError | None:
        """Do all steps; return what stopped the run, ``None`` if it came to its end."""
        try:
            with StopRequest(self.clock) as request, Tail(self.folder / TRANSCRIPT, self.clock) as tail:
                self.clock.look()
                with (
                    bench_lock(self.bench),
                    self._connect(resource_manager, tail) as connected,
                    self._left_safe(connected, request),
                ):
                    self._all(connected, tail)
        except HilkitError as error:
            return error
        except KeyboardInterrupt:
            return Interrupted("stopped by Ctrl-C")
        except Exception as error:
            return self._defect(error)
        return None

    def _connect(self, resource_manager: Any, tail: Tail) -> Connected:
        try:
            return self.bench.connect(resource_manager, self.clock, tail, self.lab)
        except Exception:
            self._quieten_radio(resource_manager, tail)
            raise

    def _quieten_radio(self, resource_manager: Any, tail: Tail) -> None:
        """Turn RF off although the bench is not complete: an earlier run that crashed may have left it on."""
        try:
            radio = open_one(self.bench.radio_spec, resource_manager, self.clock, tail)
            with Connected(self.bench, {}, radio) as alone:
                radio.identity()
                self.not_safe = make_safe(alone, self.clock)
        except HilkitError as error:
            told = f"whether RF is on is unknown: the radio cannot be reached ({error.message})"
            self.bus.emit(NoteTaken(step=0, text=told))

    @contextmanager
    def _left_safe(self, connected: Connected, request: StopRequest) -> Iterator[None]:
        """Bring the bench into its safe state before anything else, and again on every way out.

        A crash of an earlier run may have left RF on. On the way out no signal can shorten it.
        """
        try:
            self._reach_safe(connected)
            yield
        except (Interrupted, KeyboardInterrupt):
            request.disarm()
            self.bus.farewell(
                NoteTaken(step=0, text="stopping: the bench is brought to its safe state first")
            )
            raise
        finally:
            request.disarm()
            self.not_safe = make_safe(connected, self.clock)

    def _reach_safe(self, connected: Connected) -> None:
        self.not_safe = make_safe(connected, self.clock)
        if self.not_safe:
            raise BenchNotSafe(
                "the bench could not be brought to its safe state: " + "; ".join(self.not_safe),
                next_step="do by hand what is named here before anybody touches a connector",
            )

    def _all(self, connected: Connected, tail: Tail) -> None:
        for name, text in connected_facts(connected):
            self.bus.emit(FactNoted(step=0, name=name, text=text))
        session = Session(connected, self.clock, on_fact=self._fact, on_note=self._note)
        for number, items in enumerate(self.items, start=1):
            self.bus.emit(CombinationBegun(number=number, count=len(self.items), vary=items[0][0].vary))
            self._combination(items, session, connected, tail)

    def _combination(self, items: list[Item], session: Session, connected: Connected, tail: Tail) -> None:
        for position, (planned, combination, step) in enumerate(items):
            self.at_work = planned.number
            began_s = self.bus.now_s
            work = StepRun(planned, combination, step, self.bus, self.clock, self.folder, first=position == 0)
            work.run(session, connected)
            concerned = work.instrument or (tail.latest if work.trouble else connected.analyser.name)
            ended = work.ended(tail.of(concerned), began_s)
            self.bus.emit(ended)
            self.open.pop(planned.number)
            self.at_work = 0
            self.codes.append(_CODES[ended.verdict])
            if work.stop is not None:
                raise work.stop
            if work.trouble is None:
                continue
            self._recover(work.trouble, session, connected)
            if step.procedure.establishes_state:
                first_line = work.reasons[0].splitlines()[0]
                why = f"{step.id}, which establishes the state for it, broke off: {first_line}"
                self._skip([item[0] for item in items[position + 1 :]], why)
                return

    def _recover(self, trouble: Exception, session: Session, connected: Connected) -> None:
        """After a step broke off:

        RF down and everything unknown, and the link tried once more if it was the link.
        """
        self._reach_safe(connected)
        session.forget()
        if isinstance(trouble, LinkError) and trouble.instrument in connected.instruments:
            try:
                connected.instruments[trouble.instrument].identity()
            except LinkError as error:
                raise BenchError(
                    f"the link to {trouble.instrument} is lost for good: {error.message}",
                    next_step="look at its power and cabling, then 'hilkit inspect' the bench",
                ) from error

    def _skip(self, steps: Sequence[PlannedStep], reason: str) -> None:
        for planned in steps:
            self.open.pop(planned.number, None)
            ended = StepEnded(planned=planned, outcome=Outcome.SKIPPED, verdict=Verdict.NONE, reason=reason)
            self.bus.farewell(ended)

    def _fact(self, name: str, text: str) -> None:
        self.bus.emit(FactNoted(step=self.at_work, name=name, text=text))

    def _note(self, text: str) -> None:
        self.bus.emit(NoteTaken(step=self.at_work, text=text))

    def _defect(self, error: Exception) -> BenchError:
        path = self.folder / TRACEBACK
        try:
            with path.open("a", encoding="utf-8") as file:
                file.write(f"{traceback.format_exc()}\n")
        except OSError as trouble:
            return BenchError(
                f"a defect in hilkit: {type(error).__name__}: {error} (not written down: {trouble})"
            )
        return BenchError(
            f"a defect in hilkit: {type(error).__name__}: {error}",
            next_step=f"send {path} to the maintainers",
        )


def connected_facts(connected: Connected) -> Iterator[tuple[str, str]]:
    """Yield the identity of every instrument, for the record."""
    for name, instrument in connected.instruments.items():
        yield name, str(instrument.identity())
