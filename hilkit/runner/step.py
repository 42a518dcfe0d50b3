"""Runs one step: takes its readings, judges each, and says what came of it."""

from __future__ import annotations

import traceback
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from hilkit.bench import Connected
from hilkit.clock import Clock
from hilkit.errors import BenchError, HilkitError, InstrumentError, RecordError
from hilkit.judgement import Judgement, Limit, judge, other_reading, worst
from hilkit.masking import masked
from hilkit.plans import Combination, Step
from hilkit.procedures.contract import Settings
from hilkit.readings import Measured, Reading, ReadingKey, Verdict, overall
from hilkit.record import (
    TRACEBACK,
    FactNoted,
    NoteTaken,
    Outcome,
    PlannedStep,
    ReadingJudged,
    ReadingTaken,
    StepBegun,
    StepEnded,
)
from hilkit.runner.bus import Bus
from hilkit.runner.path_calibration import write_calibration
from hilkit.runner.ramp import raise_first_rf
from hilkit.runner.recovery import Restarts
from hilkit.safety import RfState, Session

__all__ = ["StepRun"]


@dataclass
class StepRun:
    """One step at work, the ``first`` of its combination or a later one.

    ``expired`` says for each step and name of a reading which calibration ran out that it rests on, if that
    counts against its verdict; earlier steps of the combination are among them. ``taken`` holds the
    readings of this combination so far, those of earlier steps among them, for limits that are relative to
    one. ``sets_up`` is true where a step of this combination establishes a state. ``ramp`` is what RF is
    ramped to first, nothing where it has been on before in this combination. Afterwards ``restart`` says
    whether the radio restarted, ``stop`` is set where the run cannot go on, and ``trouble`` where the step
    broke off.
    """

    planned: PlannedStep
    combination: Combination
    step: Step
    bus: Bus
    clock: Clock
    folder: Path
    first: bool = False
    expired: Mapping[tuple[str, str], str] = field(default_factory=dict)
    taken: dict[ReadingKey, Reading] = field(default_factory=dict)
    restarts: Restarts = field(default_factory=Restarts)
    sets_up: bool = False
    ramp: Sequence[RfState] = ()
    restart: str = ""
    stop: HilkitError | None = None
    trouble: Exception | None = None
    verdicts: list[Verdict] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    missed: dict[tuple[str, str], list[tuple[ReadingKey, Judgement]]] = field(default_factory=dict)
    came: set[tuple[str, str]] = field(default_factory=set)
    waiting: dict[ReadingKey, Judgement] = field(default_factory=dict)

    def run(self, session: Session, connected: Connected) -> None:
        """Do the step; raises only ``RecordError``, everything else is kept in ``stop`` and ``trouble``."""
        self.bus.emit(StepBegun(planned=self.planned))
        try:
            self._measure(session, connected)
            self._missing()
        except RecordError:
            raise
        except BenchError as error:
            self._broke_off(error, str(error))
        except HilkitError as error:
            self.stop = error
            self._broke_off(error, str(error))
        except Exception as error:
            self._broke_off(error, self._defect(error))
        for key, judgement in self.waiting.items():
            self._count(key, judgement)

    def ended(self, tail: tuple[str, tuple[str, ...]], began_s: float) -> StepEnded:
        """Return the event that closes the step; ``tail`` is an instrument with its last lines."""
        verdict = overall(self.verdicts)
        troubled = verdict in (Verdict.FAIL, Verdict.INCONC, Verdict.ERROR)
        return StepEnded(
            planned=self.planned,
            outcome=Outcome.ERROR if self.trouble is not None else Outcome.DONE,
            verdict=verdict,
            reason=self._reason(),
            instrument=tail[0] if troubled else "",
            transcript=tail[1] if troubled else (),
            took_s=self.bus.now_s - began_s,
        )

    @property
    def instrument(self) -> str:
        """The instrument that the trouble came from, empty where none is to blame."""
        return self.trouble.instrument if isinstance(self.trouble, InstrumentError) else ""

    def _measure(self, session: Session, connected: Connected) -> None:
        settings = self.step.settings(self.combination)
        if self.first:  # what the combination before left on would leak into every reading of this one
            session.mute_all()
            self.restarts.begin(session, anew=self.sets_up)
        if self.ramp:
            raise_first_rf(session, self.ramp, f"{self.step.id} {self.combination}".rstrip())
        session.interlocks.begin()
        connected.analyser.annotate(f"{self.step.id} {self.combination}".rstrip())
        hiccups = session.hiccups
        for measured in self.step.procedure.measure(session, settings):
            self._believe(measured, session, disturbed=session.hiccups > hiccups)
            self._take(measured)
            self.clock.look()
        self._write_calibration(settings, session, connected)
        self.restart = self.restarts.told()
        if self.restart and ("resets", "") not in self.came:
            raise self._not_set_up()

    def _believe(self, measured: Measured, session: Session, *, disturbed: bool) -> None:
        """Refuse a reading of a bench that has lost its settings, and a time that a link has stretched."""
        if disturbed and self.step.procedure.spec(measured.name).unit == "s":
            raise BenchError(
                f"{measured.name} cannot be read: a link failed during this step, and the time to get over "
                "it is in the reading",
                next_step="see to the link that is named in the notes of the run, then run the step again",
            )
        session.confirm()
        if not self._counts_restarts() and (restart := self.restarts.told()):
            self.restart = restart
            raise self._not_set_up()

    def _counts_restarts(self) -> bool:
        return any(spec.name == "resets" for spec in self.step.procedure.readings)

    def _not_set_up(self) -> BenchError:
        return BenchError(
            f"{self.restart}: the readings of this step are not those of a unit that was set up",
            next_step="find out why it restarted",
        )

    def _write_calibration(self, settings: Settings, session: Session, connected: Connected) -> None:
        found = self.step.procedure.calibrates(settings, session.bench)
        if found is None:
            return
        own = [reading for key, reading in self.taken.items() if key.step == self.step.id]
        path = write_calibration(
            found,
            own,
            bench=session.bench,
            identities={name: connected.instruments[name].identity() for name in found.instruments},
            when=self.clock.utc(),
            folder=self.folder,
        )
        self.bus.emit(
            FactNoted(step=self.planned.number, name=f"calibration of path {found.path}", text=str(path))
        )
        self.bus.emit(NoteTaken(step=self.planned.number, text=f"calibration written to {path}"))

    def _take(self, measured: Measured) -> None:
        spec = self.step.procedure.spec(measured.name)
        key = ReadingKey(
            step=self.step.id,
            vary=self.combination.vary,
            name=measured.name,
            phase=measured.phase,
            index=measured.index,
        )
        reading = Reading(
            key=key,
            value=measured.value,
            unit=spec.unit,
            bound=measured.bound,
            confidence=measured.confidence,
            note=measured.note,
            trace=measured.trace,
            evidence=measured.evidence,
            budget=measured.budget,
        )
        judgement = self._judge(reading)
        self.bus.emit(
            ReadingTaken(
                step=self.planned.number,
                reading=reading,
                verdict=judgement.verdict,
                limit=judgement.limit_text,
                margin=judgement.margin,
                reason=judgement.reason,
                uncertainty=judgement.uncertainty,
                decision=judgement.decision,
                comparison=judgement.comparison,
            )
        )
        self.came.add((measured.name, measured.phase))
        self.taken[key] = replace(reading, trace=None)
        if self._awaits_another(reading):
            self.waiting[key] = judgement
        else:
            self._count(key, judgement)
        self._judge_waiting()

    def _limit(self, reading: Reading) -> Limit | None:
        return self.step.limit(self.combination, reading.key.name, reading.key.phase)

    def _awaits_another(self, reading: Reading) -> bool:
        limit = self._limit(reading)
        if limit is None or limit.reference is None:
            return False
        return other_reading(reading.key, limit.reference, self.taken) is None

    def _judge(self, reading: Reading) -> Judgement:
        limit, keys = self._limit(reading), [reading.key]
        if limit is not None and limit.reference is not None:
            other = other_reading(reading.key, limit.reference, self.taken)
            keys += [] if other is None else [other.key]
        said = dict.fromkeys(self.expired.get((key.step, key.name), "") for key in keys)
        return judge(reading, limit, self.step.rule, self.taken, expired="; ".join(filter(None, said)))

    def _judge_waiting(self) -> None:
        """Judge what waited for the reading that its limit is relative to, and now has it."""
        for key in list(self.waiting):
            if self._awaits_another(self.taken[key]):
                continue
            judgement = self._judge(self.taken[key])
            del self.waiting[key]
            self._count(key, judgement)
            self.bus.emit(
                ReadingJudged(
                    step=self.planned.number,
                    key=key,
                    verdict=judgement.verdict,
                    limit=judgement.limit_text,
                    margin=judgement.margin,
                    reason=judgement.reason,
                    decision=judgement.decision,
                    comparison=judgement.comparison,
                )
            )

    def _count(self, key: ReadingKey, judgement: Judgement) -> None:
        self.verdicts.append(judgement.verdict)
        if judgement.verdict in (Verdict.FAIL, Verdict.INCONC):
            self.missed.setdefault((key.name, key.phase), []).append((key, judgement))

    def _missing(self) -> None:
        """A limit whose reading never came was not kept: that is an error, never a pass."""
        for name, limits in self.step.limits(self.combination).items():
            for limit in limits:
                if (name, limit.phase) not in self.came:
                    self.verdicts.append(Verdict.ERROR)
                    self.reasons.append(
                        f"{name} {limit.phase}".rstrip() + f" has a limit ({limit}) but was not read"
                    )

    def _broke_off(self, error: Exception, reason: str) -> None:
        self.trouble = error
        self.verdicts.append(Verdict.ERROR)
        self.reasons.insert(0, reason)

    def _defect(self, error: Exception) -> str:
        path = self.folder / TRACEBACK
        with path.open("a", encoding="utf-8") as file:
            file.write(f"step {self.step.id} ({self.combination})\n{masked(traceback.format_exc())}\n")
        return (
            f"the procedure {self.step.procedure.name} has a defect: {type(error).__name__}: {error}\n"
            f"  next: send {path} to whoever maintains the procedure"
        )

    def _reason(self) -> str:
        """What broke off or is missing, then one line for each reading, of a series its worst member."""
        return "\n".join([*self.reasons, *(_told(members) for members in self.missed.values())])


def _told(members: list[tuple[ReadingKey, Judgement]]) -> str:
    judgement = worst(judgement for _, judgement in members)
    key = next(key for key, item in members if item is judgement)
    more = f"; and {len(members) - 1} more of this series" if len(members) > 1 else ""
    return f"{_short(key)}: {judgement.reason}{more}"


def _short(key: ReadingKey) -> str:
    text = f"{key.name} {key.phase}".rstrip()
    return text if key.index is None else f"{text} [{key.index:g}]"
