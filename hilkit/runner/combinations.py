"""Does the steps of a run, combination after combination, and keeps account of those that are still open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from hilkit.bench import Bench, Connected
from hilkit.clock import Clock
from hilkit.errors import BenchError, ExitCode, Interrupted
from hilkit.readings import Reading, ReadingKey, Verdict
from hilkit.record import CombinationBegun, FactNoted, NoteTaken, Outcome, PlannedStep, StepEnded
from hilkit.runner.bench_safety import BenchSafety
from hilkit.runner.bus import Bus
from hilkit.runner.calibration import Calibrations
from hilkit.runner.identities import connected_facts, refuse_changed_identities
from hilkit.runner.interrupt import StopRequest
from hilkit.runner.planned import Item
from hilkit.runner.ramp import ramps_of
from hilkit.runner.recovery import Restarts, put_in_step
from hilkit.runner.resume import Resumption
from hilkit.runner.room import Room
from hilkit.runner.step import StepRun
from hilkit.runner.tail import Tail
from hilkit.safety import OnPerson, RfState, Session

__all__ = ["Combinations", "Stage"]

_CODES = {
    Verdict.NONE: ExitCode.PASSED,
    Verdict.PASS: ExitCode.PASSED,
    Verdict.INCONC: ExitCode.INCONCLUSIVE,
    Verdict.FAIL: ExitCode.LIMIT_FAILED,
    Verdict.ERROR: ExitCode.BENCH,
}


@dataclass(frozen=True, kw_only=True)
class Stage:
    """What a run has to work with before any instrument is open; ``resume`` is what it goes on with."""

    bench: Bench
    bus: Bus
    clock: Clock
    folder: Path
    calibrations: Calibrations
    on_person: OnPerson | None = None
    resume: Resumption | None = None
    room: Room


@dataclass(frozen=True, kw_only=True)
class _Hold:
    """What a run holds while the bench is connected."""

    session: Session
    connected: Connected
    tail: Tail
    request: StopRequest


@dataclass
class Combinations:
    """The steps that are to run. ``open`` are those that are not over; ``codes`` what came of the others.

    ``count`` is the number of combinations in the plan, some of which may be carried over. ``at_work`` is the
    number of the step at work, 0 between steps.
    """

    stage: Stage
    safety: BenchSafety
    items: list[list[Item]]
    count: int
    codes: list[ExitCode] = field(default_factory=list)
    open: dict[int, PlannedStep] = field(init=False)
    at_work: int = 0
    restarts: Restarts = field(default_factory=Restarts)

    def __post_init__(self) -> None:
        self.open = {item[0].number: item[0] for combination in self.items for item in combination}
        if (resume := self.stage.resume) is not None:
            steps = resume.source.steps
            self.codes += [_CODES[step.verdict] for step in steps if step.number in resume.carried]

    def run(self, connected: Connected, tail: Tail, request: StopRequest) -> None:
        """Do all steps; raises what stops the run."""
        self._identities(connected)
        session = Session(
            connected,
            self.stage.clock,
            on_fact=lambda name, text: self._emit_fact(self.at_work, name, text),
            on_note=lambda text: self.stage.bus.emit(NoteTaken(step=self.at_work, text=text)),
            on_person=self.stage.on_person,
        )
        connected.tell_retries(lambda text: self.stage.bus.emit(NoteTaken(step=self.at_work, text=text)))
        hold = _Hold(session=session, connected=connected, tail=tail, request=request)
        with session.interlocks.watching():
            for items in self.items:
                first = items[0][0]
                begun = CombinationBegun(number=first.combination, count=self.count, vary=first.vary)
                self.stage.bus.emit(begun)
                self._combination(items, hold)

    def _identities(self, connected: Connected) -> None:
        """Note who answers; of a run that is resumed it must be the same, and only then is more sent."""
        known: set[str] = set()
        if (resume := self.stage.resume) is not None:
            refuse_changed_identities(connected, resume.source)
            known = {name for name, _ in resume.source.facts}
            connected.prepare()
        for name, text in connected_facts(connected):
            if name not in known:
                self._emit_fact(0, name, text)

    def break_off(self, reason: str, why_skipped: str) -> None:
        """Close the step at work as an error and skip the others."""
        at_work = self.open.pop(self.at_work, None)
        if at_work is not None:
            self.stage.bus.farewell(
                StepEnded(planned=at_work, outcome=Outcome.ERROR, verdict=Verdict.ERROR, reason=reason)
            )
        self._skip(list(self.open.values()), why_skipped)

    def _combination(self, items: list[Item], hold: _Hold) -> None:
        taken: dict[ReadingKey, Reading] = {}
        if (resume := self.stage.resume) is not None:
            taken = resume.taken(items[0][0].combination)
        ramp_at, tops = ramps_of(items, self.stage.bench)
        for position, item in enumerate(items):
            work = self._step(items, position, taken, hold, tops if position == ramp_at else [])
            if work.stop is not None:
                raise work.stop
            if work.trouble is not None:
                self._recover(work.trouble, hold)
            if restart := work.restart or (self.restarts.told() if work.trouble else ""):
                hold.session.forget()
                self._set_up_is_gone(restart, items, position)
                return
            step = item[2]
            if work.trouble is not None and step.procedure.establishes_state:
                first_line = work.reasons[0].splitlines()[0]
                why = f"{step.id}, which establishes the state for it, broke off: {first_line}"
                self._skip([item[0] for item in items[position + 1 :]], why)
                return

    def _step(
        self,
        items: list[Item],
        position: int,
        taken: dict[ReadingKey, Reading],
        hold: _Hold,
        ramp: list[RfState],
    ) -> StepRun:
        """Do one step and close it."""
        planned, combination, step = items[position]
        bus = self.stage.bus
        self.stage.room.look_before_step(planned.number)
        self.at_work = planned.number
        began_s = bus.now_s
        work = StepRun(
            planned,
            combination,
            step,
            bus,
            self.stage.clock,
            self.stage.folder,
            first=position == 0,
            expired=self.stage.calibrations.against((each[1], each[2]) for each in items[: position + 1]),
            taken=taken,
            restarts=self.restarts,
            sets_up=any(each.procedure.establishes_state for _, _, each in items),
            ramp=ramp,
        )
        work.run(hold.session, hold.connected)
        latest = hold.tail.latest if work.trouble else hold.connected.analyser.name
        interrupted = isinstance(work.stop, Interrupted)
        last_lines = ("", ()) if interrupted else hold.tail.of(work.instrument or latest)
        ended = work.ended(last_lines, began_s)
        bus.emit(ended)
        self.open.pop(planned.number)
        self.at_work = 0
        self.codes.append(_CODES[ended.verdict])
        return work

    def _set_up_is_gone(self, restart: str, items: list[Item], position: int) -> None:
        """Skip the rest of a combination; the next one is set up anew, or the run ends."""
        if not any(step.procedure.establishes_state for _, _, step in items):
            raise BenchError(
                f"{restart}, and the plan has no step that sets it up again",
                next_step="find out why it restarted, set it up and run again",
            )
        why = f"{restart}: what the steps before have set up is gone"
        self._skip([item[0] for item in items[position + 1 :]], why)

    def _recover(self, trouble: Exception, hold: _Hold) -> None:
        """After a step broke off: RF down, the link in step again, the bench safe and its state unknown."""
        with hold.session.interlocks.suspended():
            self.stage.clock.look()
            lost = put_in_step(trouble, hold.session, hold.connected)
            self.safety.reach(hold.connected, hold.request)
            hold.session.forget()
        if lost is not None:
            raise lost

    def _skip(self, steps: Sequence[PlannedStep], reason: str) -> None:
        for planned in steps:
            self.open.pop(planned.number, None)
            ended = StepEnded(planned=planned, outcome=Outcome.SKIPPED, verdict=Verdict.NONE, reason=reason)
            self.stage.bus.farewell(ended)

    def _emit_fact(self, step: int, name: str, text: str) -> None:
        self.stage.bus.emit(FactNoted(step=step, name=name, text=text))
