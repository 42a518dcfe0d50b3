"""What a run goes on with: an earlier one that did not come to its end, where nothing has changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from hilkit.bench import Bench
from hilkit.errors import NothingRan, UsageError
from hilkit.files import Lab
from hilkit.plans import Plan
from hilkit.readings import Reading, ReadingKey
from hilkit.record import Resumed, StoredReading, StoredRun
from hilkit.runner.choice import Choice, choose
from hilkit.runner.fingerprint import changes, fingerprint
from hilkit.runner.planned import Item, planned_steps

__all__ = ["Resumption", "changed", "recorded_choice"]

_AFRESH = "run the plan afresh, without --resume; the earlier record stays as it is"


@dataclass(frozen=True, kw_only=True)
class Resumption:
    """An earlier run with the numbers of its steps that are carried over."""

    source: StoredRun
    carried: frozenset[int]

    @classmethod
    def of(
        cls, source: StoredRun, plan: Plan, bench: Bench, lab: Lab, *, choice: Choice, seed: int | None = None
    ) -> Resumption:
        """Compare with the earlier run; nothing is sent.

        Raises ``UsageError`` with everything that has changed, ``NothingRan`` for a run that is complete.
        """
        if not source.fingerprint:
            raise UsageError(
                f"{source.path} does not say what it was made with: it was written by an older hilkit",
                next_step=_AFRESH,
            )
        told = changes(source.fingerprint, fingerprint(plan, bench, lab))
        told += _other_choice(Choice.of(source.choice), choice)
        seed_text = "" if seed is None else str(seed)
        if seed_text != source.seed:
            told.append(f"--seed was {source.seed or 'not given'} and is {seed_text or 'not given'}")
        if told:
            raise changed(source.folder, told)
        if source.complete:
            raise NothingRan(
                f"{source.folder} is complete: there is nothing to do",
                next_step=f"'hilkit report {source.folder}' shows it; --resume is for one that broke off",
            )
        steps = choose(plan, only=choice.only, from_step=choice.from_step)
        return cls(source=source, carried=_carried(source, planned_steps(plan, bench, steps)))

    @property
    def chain(self) -> tuple[Resumed, ...]:
        """All runs that the new one goes on with, the latest last."""
        source = self.source
        last = Resumed(
            folder=str(source.folder.resolve()),
            begun=source.begun_utc.isoformat(),
            ended=source.reason.splitlines()[0]
            if source.reason
            else f"ended with exit code {source.exit_code:d}",
            carried=tuple(sorted(self.carried)),
        )
        return (*source.resumed, last)

    @property
    def reached_s(self) -> float:
        """Bench time that the earlier run had reached, in seconds: times go on from there."""
        return self.source.bench_time_s

    @property
    def notes(self) -> list[str]:
        """Sentences on where the readings come from."""
        source, count = self.source, len(self.source.steps)
        steps = f"{len(self.carried)} of {count} steps carried over, with their times"
        told = f"resumed from {source.folder}: {steps}"
        drift = (
            "what drifts with time or temperature may differ between these and those taken now,"
            " as it does in a run with a pause"
        )
        return [told, drift] if self.carried else [told]

    def left(self, items: Sequence[list[Item]]) -> list[list[Item]]:
        """Return the items that are to run, without combinations that are finished."""
        rest = [[item for item in each if item[0].number not in self.carried] for each in items]
        return [each for each in rest if each]

    def taken(self, combination: int) -> dict[ReadingKey, Reading]:
        """Return the readings carried over of one combination, for limits that are relative to one."""
        return {
            reading.key: _reading(reading)
            for step in self.source.steps
            if step.combination == combination and step.number in self.carried
            for reading in step.readings
        }


def recorded_choice(source: StoredRun, given: Choice) -> Choice:
    """Return the choice of the earlier run where none is given; ``UsageError`` where another one is."""
    if not source.choice:
        return given
    before = Choice.of(source.choice)
    now = Choice(
        only=given.only or before.only,
        from_step=given.from_step or before.from_step,
        sets=given.sets or before.sets,
        bench=given.bench or before.bench,
    )
    if told := _other_choice(before, now):
        raise changed(source.folder, told)
    return now


def changed(folder: Path, told: Sequence[str]) -> UsageError:
    """Return the error that names everything that has changed since the earlier run."""
    lines = "".join(f"\n  - {sentence}" for sentence in told)
    return UsageError(
        f"{folder} cannot be resumed: its readings would not belong together{lines}", next_step=_AFRESH
    )


def _carried(source: StoredRun, items: Sequence[list[Item]]) -> frozenset[int]:
    """Return the finished steps, without those that set up what an unfinished one needs."""
    finished = {step.number for step in source.steps if step.finished}
    carried = set(finished)
    for combination in items:
        needed = False
        for planned, _, step in reversed(combination):
            if planned.number not in finished:
                needed = True
            elif needed and step.procedure.establishes_state:
                carried.discard(planned.number)
    return frozenset(carried)


def _other_choice(before: Choice, now: Choice) -> list[str]:
    pairs = {
        "--only": (" ".join(before.only), " ".join(now.only)),
        "--from": (before.from_step or "", now.from_step or ""),
        "--set": (_sets(before.sets), _sets(now.sets)),
    }
    return [
        f"{name} was {old or 'not given'} and is {new or 'not given'}"
        for name, (old, new) in pairs.items()
        if old != new
    ]


def _sets(sets: Mapping[str, str]) -> str:
    return ", ".join(f"{name}={value}" for name, value in sorted(sets.items()))


def _reading(stored: StoredReading) -> Reading:
    return Reading(
        key=stored.key,
        value=stored.value,
        unit=stored.unit,
        bound=stored.bound,
        confidence=stored.confidence,
        note=stored.note,
        evidence=stored.evidence,
        budget=stored.budget,
    )
