"""Every kind of fault at every instrument that can have it, and what is demanded of a run that it strikes."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from hilkit.errors import ExitCode
from hilkit.readings import Verdict
from hilkit.record import Outcome, ReadingTaken, StepEnded
from hilkit.sim.faults import KINDS
from hilkit.sim.profile import Fault
from tests.faults.trial import Seen, go

__all__ = ["CASES", "MOMENTS", "Case", "Result", "judge", "moments"]

MOMENTS = 20
SEED = 4170

GROUPS = {
    "analyser": "analysers",
    "pad": "pads",
    "relay": "relays",
    "supply": "supplies",
    "radio": "radio",
    "disk": "disk",
}
"""The instruments of the bench that the plan uses, and the group of the profile that each belongs to."""

FOR_GOOD = 1_000_000
OFF_WITHIN_S = 1.0
BY_SECOND_MEANS_S = 2.0


@dataclass(frozen=True)
class Case:
    """A kind of fault at an instrument, once or for good."""

    kind: str
    instrument: str
    count: int = 1

    def __str__(self) -> str:
        often = "" if self.count == 1 else " for good" if self.count == FOR_GOOD else f" x{self.count}"
        return f"{self.kind} {self.instrument}{often}"


def _cases() -> Iterator[Case]:
    lasting = {"disk_full", "silence", "stuck_relay", "stuck_attenuator", "garbage", "refusal", "nan"}
    only = {"stuck_relay", "stuck_attenuator", "disk_full"}
    for kind, row in KINDS.items():
        for instrument, group in GROUPS.items():
            if group not in row.only if row.only else group == "disk":
                continue
            if kind not in only:
                yield Case(kind, instrument)
            if kind in lasting:
                yield Case(kind, instrument, FOR_GOOD)


CASES = tuple(_cases())


@cache
def undisturbed() -> Seen:
    """The run that nothing goes wrong in."""
    with TemporaryDirectory() as folder:
        return go(Path(folder))


def moments(case: Case, count: int = MOMENTS) -> list[int]:
    """Return the lines of the instrument that are struck, drawn evenly from those of the undisturbed run."""
    lines = len(undisturbed().lines[case.instrument])
    rng = random.Random(f"{SEED} {case}")
    first = 2 if case.instrument == "disk" else 1  # a record that cannot even be begun is no run
    return [rng.randint(first, lines) for _ in range(count)]


@dataclass
class Result:
    """What came of one run: ``wrong`` says what was demanded and not kept."""

    case: Case
    after: int
    seen: Seen
    wrong: list[str]
    off_after_s: float = math.nan

    @property
    def got_over(self) -> bool:
        return self.seen.code is ExitCode.PASSED


def judge(case: Case, after: int, folder: Path) -> Result:
    """Run the plan with the fault and hold what came of it against what is demanded."""
    seen = go(folder, [Fault(instrument=case.instrument, kind=case.kind, after=after, count=case.count)])
    result = Result(case, after, seen, [])
    _judge_end(result)
    _judge_rf(result)
    _judge_readings(result)
    return result


def _judge_end(result: Result) -> None:
    seen, wrong = result.seen, result.wrong
    full = result.case.kind == "disk_full"  # then not even the end can be written
    if not seen.stored.ended and not full:
        wrong.append("the record has no end")
    if not full and seen.stored.exit_code != seen.code:
        wrong.append(f"exit code {seen.code}, the record says {seen.stored.exit_code}")
    codes = {ExitCode.PASSED, ExitCode.BENCH, ExitCode.SAFETY, ExitCode.NOT_SAFE, ExitCode.INCONCLUSIVE}
    if result.case.kind in ("stuck_attenuator", "lost_lock", "reboot") and result.case.instrument == "radio":
        codes.add(ExitCode.LIMIT_FAILED)  # the radio is what is tested: its defects may fail a limit
    if seen.code not in codes:
        wrong.append(f"ends with exit code {seen.code.name}: {seen.outcomes}")
    if "a defect in hilkit" in seen.stored.reason or any(
        "has a defect" in s.reason for s in seen.stored.steps
    ):
        wrong.append(f"a defect: {seen.stored.reason}")


def _errors(seen: Seen) -> list[tuple[float, StepEnded]]:
    return [(at, each) for at, each in seen.ended if each.outcome is Outcome.ERROR]


def _judge_rf(result: Result) -> None:
    seen = result.seen
    if seen.hot_at_end and seen.code is not ExitCode.NOT_SAFE:
        result.wrong.append("RF is on at the end, and nobody is told")
    errors = _errors(seen)
    if math.isnan(seen.struck_s) or not errors:
        return
    deadline_s = KINDS[result.case.kind].deadline_s
    more_s = BY_SECOND_MEANS_S if result.case.instrument == "radio" else OFF_WITHIN_S
    off_s = seen.clock.off_from(errors[0][0])  # a wait with RF off, such as that for a lock, hurts nobody
    result.off_after_s = seen.clock.last_on_s(seen.struck_s, off_s)
    if result.off_after_s > deadline_s + more_s:
        late = f"RF off {result.off_after_s:.2f} s after the fault"
        result.wrong.append(f"{late}, the deadline is {deadline_s:g} s + {more_s:g} s")


def _judge_readings(result: Result) -> None:
    seen = result.seen
    stored = {reading.key: reading for step in seen.stored.steps for reading in step.readings}
    lost = [str(event.reading.key) for event in seen.acknowledged if event.reading.key not in stored]
    if lost:
        result.wrong.append(f"readings lost: {lost}")
    good = {event.reading.key: event for event in undisturbed().acknowledged}
    for event in seen.acknowledged:
        if event.verdict is Verdict.PASS and (why := _differs(event, good[event.reading.key])):
            result.wrong.append(f"{event.reading.key.name} passed and is wrong: {why}")


def _differs(event: ReadingTaken, good: ReadingTaken) -> str:
    """Return how a reading differs from the one of the undisturbed run by more than both uncertainties."""
    apart = abs(event.reading.value - good.reading.value)
    allowed = math.hypot(*(each.uncertainty.expanded if each.uncertainty else 0.0 for each in (event, good)))
    if apart <= max(allowed, 1e-9):
        return ""
    unit = event.reading.unit
    return f"{event.reading.value:.6g} and not {good.reading.value:.6g} {unit}, {allowed:.2g} allowed"
