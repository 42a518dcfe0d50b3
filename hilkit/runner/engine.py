"""Runs a plan on a bench, from the first event to the safe state and the last event."""

from __future__ import annotations

import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
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
    worst_exit,
)
from hilkit.files import Lab
from hilkit.plans import Plan
from hilkit.readings import Reading, ReadingKey, Verdict
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
from hilkit.runner.calibration import Calibrations
from hilkit.runner.choice import choice_text, choose
from hilkit.runner.interrupt import StopRequest
from hilkit.runner.planned import Item, planned_steps, run_begun
from hilkit.runner.recovery import Restarts, put_in_step
from hilkit.runner.step import StepRun
from hilkit.runner.tail import Tail
from hilkit.safety import OnPerson, Session, make_safe

__all__ = ["run"]

_LONGEST = 120
"""Length in characters of the reason that skipped steps share."""

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
    on_person: OnPerson | None = None,
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
        calibrations = Calibrations.of(bench, plan, clock.utc().date())
        bus.emit(run_begun(plan, bench, planned, calibrations, seed=seed, chosen=chosen))
        return _Run(bench, items, bus, clock, folder, lab, calibrations, on_person).go(resource_manager)
    finally:
        record.close()


class _Run:
    """One run at work."""

    def __init__(
        self,
        bench: Bench,
        items: list[list[Item]],
        bus: Bus,
        clock: Clock,
        folder: Path,
        lab: Lab,
        calibrations: Calibrations,
        on_person: OnPerson | None,
    ) -> None:
        self.bench = bench
        self.items = items
        self.bus = bus
        self.clock = clock
        self.folder = folder
        self.lab = lab
        self.calibrations = calibrations
        self.on_person = on_person
        self.restarts = Restarts()
        self.codes: list[ExitCode] = []
        self.not_safe: list[str] = []
        self.made_safe = False
        self.at_work = 0
        self.open = {item[0].number: item[0] for combination in items for item in combination}

    def go(self, resource_manager: Any) -> ExitCode:
        reason = ""
        if not self.open:
            reason = "nothing ran: no step was chosen"
            self.codes.append(ExitCode.NOTHING_RAN)
        else:
            stop = self._refused() or self._on_the_bench(resource_manager)
            if stop is not None:
                safe_after_all = isinstance(stop, BenchNotSafe) and not self.not_safe
                self.codes.append(ExitCode.BENCH if safe_after_all else stop.exit_code)
                reason = str(stop)
                if isinstance(stop, BenchNotSafe) and self.not_safe:
                    # what is not safe is told in full below it
                    reason = "the bench could not be brought to its safe state"
                self._break_off(stop)
        if self.not_safe:
            self.codes.append(ExitCode.NOT_SAFE)
        elif self.made_safe and reason:
            self.bus.farewell(NoteTaken(step=0, text=_safe_text(self.bench)))
        code = worst_exit(self.codes)
        self.bus.farewell(RunEnded(exit_code=code, reason=reason, not_safe=tuple(self.not_safe)))
        return worst_exit([code, ExitCode.BENCH]) if self.bus.broken else code

    def _refused(self) -> HilkitError | None:
        """Return why nothing is to run on this bench, before anything of it is touched."""
        if not self.calibrations.refused:
            return None
        return BenchError(
            "refused by the calibration_policy of the bench file: " + "; ".join(self.calibrations.refused),
            next_step="run path_calibration and name its file in the bench file, under calibrations",
        )

    def _break_off(self, stop: HilkitError) -> None:
        """Close the step at work as an error and skip the others."""
        at_work = self.open.pop(self.at_work, None)
        if at_work is not None:
            self.bus.farewell(
                StepEnded(planned=at_work, outcome=Outcome.ERROR, verdict=Verdict.ERROR, reason=str(stop))
            )
        self._skip(list(self.open.values()), _why_skipped(stop))

    def _on_the_bench(self, resource_manager: Any) -> HilkitError | None:
        """Do all steps; return what stopped the run, ``None`` if it came to its end."""
        try:
            with StopRequest(self.clock) as request, Tail(self.folder / TRANSCRIPT, self.clock) as tail:
                self.clock.look()
                with (
                    bench_lock(self.bench),
                    self._connect(resource_manager, tail, request) as connected,
                    self._left_safe(connected, request),
                ):
                    self._all(connected, tail, request)
        except HilkitError as error:
            return error
        except KeyboardInterrupt:
            return Interrupted("stopped by Ctrl-C")
        except Exception as error:
            return self._defect(error)
        return None

    def _connect(self, resource_manager: Any, tail: Tail, request: StopRequest) -> Connected:
        try:
            return self.bench.connect(resource_manager, self.clock, tail, self.lab)
        except Exception:
            request.disarm()
            self._quieten_radio(resource_manager, tail)
            raise

    def _quieten_radio(self, resource_manager: Any, tail: Tail) -> None:
        """Turn RF off although the bench is not complete: an earlier run that crashed may have left it on."""
        try:
            radio = open_one(self.bench.radio_spec, resource_manager, self.clock, tail)
            with Connected(self.bench, {}, radio) as alone:
                radio.identity()
                self._make_safe(alone)
        except HilkitError as error:
            told = f"whether RF is on is unknown: the radio cannot be reached ({error.message})"
            self.bus.emit(NoteTaken(step=0, text=told))

    @contextmanager
    def _left_safe(self, connected: Connected, request: StopRequest) -> Iterator[None]:
        """Bring the bench into its safe state before anything else, and again on every way out.

        A crash of an earlier run may have left RF on. On the way out no signal can shorten it.
        """
        try:
            with request.suspended():
                found = self._as_found(connected)
            self._reach_safe(connected, request)
            for text in found:
                self.bus.emit(NoteTaken(step=0, text=text))
            yield
        except (Interrupted, KeyboardInterrupt):
            request.disarm()
            self.bus.farewell(
                NoteTaken(step=0, text="stopping: the bench is brought to its safe state first")
            )
            raise
        finally:
            request.disarm()
            self._make_safe(connected)

    def _make_safe(self, connected: Connected) -> None:
        self.not_safe = make_safe(connected, self.clock)
        self.made_safe = not self.not_safe

    def _as_found(self, connected: Connected) -> list[str]:
        """Say what an earlier user of the bench left behind: RF on, entries in error queues."""
        told = []
        with suppress(HilkitError):  # a radio that does not say is dealt with by the safe state
            for channel in self.bench.channels:
                if connected.radio.rf(channel):
                    level = f"attenuation {connected.radio.attenuation(channel):g} dB"
                    told.append(f"RF of channel {channel} was on at the start of this run, {level}")
        for name, entries in connected.found.items():
            told.append(f"found in the error queue of {name}, from before this run: {'; '.join(entries)}")
        return told

    def _reach_safe(self, connected: Connected, request: StopRequest) -> None:
        with request.suspended():  # a wait broken off in there would pass for a bench that is not safe
            self._make_safe(connected)
        if self.not_safe:
            raise BenchNotSafe(
                "the bench could not be brought to its safe state: " + "; ".join(self.not_safe),
                next_step="do by hand what is named here before anybody touches a connector",
            )

    def _all(self, connected: Connected, tail: Tail, request: StopRequest) -> None:
        for name, text in connected_facts(connected):
            self.bus.emit(FactNoted(step=0, name=name, text=text))
        session = Session(
            connected, self.clock, on_fact=self._fact, on_note=self._note, on_person=self.on_person
        )
        for number, items in enumerate(self.items, start=1):
            self.bus.emit(CombinationBegun(number=number, count=len(self.items), vary=items[0][0].vary))
            self._combination(items, session, connected, tail, request)

    def _combination(
        self, items: list[Item], session: Session, connected: Connected, tail: Tail, request: StopRequest
    ) -> None:
        taken: dict[ReadingKey, Reading] = {}
        for position, (planned, combination, step) in enumerate(items):
            self.at_work = planned.number
            began_s = self.bus.now_s
            work = StepRun(
                planned,
                combination,
                step,
                self.bus,
                self.clock,
                self.folder,
                first=position == 0,
                expired=self.calibrations.against(step),
                taken=taken,
                restarts=self.restarts,
                sets_up=any(each.procedure.establishes_state for _, _, each in items),
            )
            work.run(session, connected)
            concerned = work.instrument or (tail.latest if work.trouble else connected.analyser.name)
            last_lines = ("", ()) if isinstance(work.stop, Interrupted) else tail.of(concerned)
            ended = work.ended(last_lines, began_s)
            self.bus.emit(ended)
            self.open.pop(planned.number)
            self.at_work = 0
            self.codes.append(_CODES[ended.verdict])
            if work.stop is not None:
                raise work.stop
            if work.trouble is not None:
                self._recover(work.trouble, session, connected, request)
            if restart := work.restart or (self.restarts.told() if work.trouble else ""):
                session.forget()
                self._set_up_is_gone(restart, items, position)
                return
            if work.trouble is None:
                continue
            if step.procedure.establishes_state:
                first_line = work.reasons[0].splitlines()[0]
                why = f"{step.id}, which establishes the state for it, broke off: {first_line}"
                self._skip([item[0] for item in items[position + 1 :]], why)
                return

    def _set_up_is_gone(self, restart: str, items: list[Item], position: int) -> None:
        """Skip the rest of a combination; the next one is set up anew, or the run ends."""
        if not any(step.procedure.establishes_state for _, _, step in items):
            raise BenchError(
                f"{restart}, and the plan has no step that sets it up again",
                next_step="find out why it restarted, set it up and run again",
            )
        why = f"{restart}: what the steps before have set up is gone"
        self._skip([item[0] for item in items[position + 1 :]], why)

    def _recover(
        self, trouble: Exception, session: Session, connected: Connected, request: StopRequest
    ) -> None:
        """After a step broke off: RF down, the link in step again, the bench safe and its state unknown."""
        self.clock.look()
        lost = put_in_step(trouble, session, connected)
        self._reach_safe(connected, request)
        session.forget()
        if lost is not None:
            raise lost

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


def _why_skipped(stop: HilkitError) -> str:
    """Return one line on what kept a step from its turn; the whole of it is told once, for the run."""
    if isinstance(stop, Interrupted):
        return f"the run was {stop.message}"
    if isinstance(stop, BenchNotSafe):
        return "the run stopped: the bench could not be brought to its safe state"
    first = stop.message.splitlines()[0]
    return f"the run stopped: {first if len(first) <= _LONGEST else first[: _LONGEST - 3] + '...'}"


def _safe_text(bench: Bench) -> str:
    channels = ", ".join(map(str, bench.channels))
    return f"the bench is in its safe state: RF of channels {channels} off, read back"


def connected_facts(connected: Connected) -> Iterator[tuple[str, str]]:
    """Yield the identity of every instrument, for the record."""
    for name, instrument in connected.instruments.items():
        yield name, str(instrument.identity())
