"""What happens during a run, as frozen values: the only thing that the run tells its listeners.

The record is the first listener and has written an event before the next listener hears of it. ``at_s`` is
bench time in seconds since the run began, ``utc`` the calendar time of the run's clock.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from hilkit.errors import ExitCode
from hilkit.judgement import Comparison, StatedDecision, StatedUncertainty
from hilkit.readings import Reading, ReadingKey, Verdict

__all__ = [
    "SIMPLE",
    "CombinationBegun",
    "Event",
    "FactNoted",
    "Listener",
    "NoteTaken",
    "Outcome",
    "PlannedStep",
    "ReadingJudged",
    "ReadingTaken",
    "Resumed",
    "RunBegun",
    "RunEnded",
    "StepBegun",
    "StepEnded",
    "Vary",
]

SIMPLE = "simple acceptance"
"""The decision rule where a plan names none."""

Vary = tuple[tuple[str, str], ...]
"""The vary values of a combination: names with the texts as the plan gives them."""


class Outcome(StrEnum):
    """How far a step came."""

    PLANNED = "not begun"
    AT_WORK = "begun"
    DONE = "done"
    ERROR = "error"
    SKIPPED = "skipped"


@dataclass(frozen=True, kw_only=True)
class Event:
    """Base of all events."""

    at_s: float = 0.0
    utc: dt.datetime = field(default_factory=lambda: dt.datetime.now(dt.UTC))


Listener = Callable[[Event], None]


@dataclass(frozen=True, kw_only=True)
class PlannedStep:
    """One step of one combination, as it is known before anything is sent.

    ``number`` counts from 1 over the whole run. ``settings`` and ``limits`` are JSON texts. ``expected_s`` is
    bench time. ``rule`` is the decision rule in words.
    """

    number: int
    combination: int
    vary: Vary
    step: str
    procedure: str
    procedure_version: int
    settings: str
    limits: str
    expected_s: float
    rule: str = SIMPLE


@dataclass(frozen=True, kw_only=True)
class Resumed:
    """An earlier run that a run goes on with.

    ``folder`` is where its record lies, ``begun`` its beginning (ISO 8601), ``ended`` says how it ended.
    ``carried`` are the numbers of the steps whose readings were taken over from it, with their times.
    """

    folder: str
    begun: str
    ended: str
    carried: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class RunBegun(Event):
    """The run exists on disk; no instrument has been opened yet.

    ``rule`` is the plan's decision rule in words. ``calibration`` has a sentence for each instrument whose
    calibration ran out or soon does, ``expired_allowed`` the plan's reason for judging all the same.
    ``fingerprint`` maps what decides the readings to its SHA-256 or version, and ``choice`` holds only, from,
    sets and bench as chosen: a run that goes on with this one must find both unchanged. ``resumed`` are the
    runs that this one goes on with, the latest last.
    """

    plan_name: str
    plan_slug: str
    plan_file: str
    plan_text: str
    plan_digest: str
    bench_name: str
    bench_file: str
    bench_text: str
    simulated: bool
    seed: str
    hilkit_version: str
    python: str
    host: str
    process: int
    chosen: str
    steps: tuple[PlannedStep, ...]
    rule: str = SIMPLE
    calibration: tuple[str, ...] = ()
    expired_allowed: str = ""
    fingerprint: Mapping[str, str] = field(default_factory=dict)
    choice: Mapping[str, object] = field(default_factory=dict)
    resumed: tuple[Resumed, ...] = ()

    @property
    def expected_s(self) -> float:
        """Bench time that the steps are expected to take, in seconds."""
        return sum(step.expected_s for step in self.steps)


@dataclass(frozen=True, kw_only=True)
class CombinationBegun(Event):
    """The steps of one combination follow. ``number`` counts from 1 up to ``count``."""

    number: int
    count: int
    vary: Vary


@dataclass(frozen=True, kw_only=True)
class StepBegun(Event):
    """A step is at work from now on."""

    planned: PlannedStep


@dataclass(frozen=True, kw_only=True)
class FactNoted(Event):
    """Something found out about the bench or the unit, such as a serial number.

    ``step`` is 0 outside any step.
    """

    step: int
    name: str
    text: str


@dataclass(frozen=True, kw_only=True)
class NoteTaken(Event):
    """A sentence on what is going on. ``step`` is 0 outside any step."""

    step: int
    text: str


@dataclass(frozen=True, kw_only=True)
class ReadingTaken(Event):
    """A reading with its judgement. Without a limit the verdict is ``none`` and the texts are empty.

    ``margin`` is in the unit of the reading and negative where the limit is missed. ``uncertainty`` is that
    of the reading; ``comparison`` is what was judged where the limit is relative to another reading.
    """

    step: int
    reading: Reading
    verdict: Verdict = Verdict.NONE
    limit: str = ""
    margin: float | None = None
    reason: str = ""
    uncertainty: StatedUncertainty | None = None
    decision: StatedDecision | None = None
    comparison: Comparison | None = None


@dataclass(frozen=True, kw_only=True)
class ReadingJudged(Event):
    """A reading that was taken before is judged again: the one that its limit is relative to has come."""

    step: int
    key: ReadingKey
    verdict: Verdict
    limit: str = ""
    margin: float | None = None
    reason: str = ""
    decision: StatedDecision | None = None
    comparison: Comparison | None = None


@dataclass(frozen=True, kw_only=True)
class StepEnded(Event):
    """A step is over.

    ``reason`` says why it was skipped or could not be measured, or which limits were missed. ``transcript``
    holds the last lines exchanged with ``instrument``.
    """

    planned: PlannedStep
    outcome: Outcome
    verdict: Verdict
    reason: str = ""
    instrument: str = ""
    transcript: tuple[str, ...] = ()
    took_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class RunEnded(Event):
    """The run is over and the bench was left as ``not_safe`` says: empty when it is in its safe state.

    ``at_s`` is the bench time of the whole run. ``reason`` is empty unless the run stopped before its last
    step.
    """

    exit_code: ExitCode
    reason: str = ""
    not_safe: tuple[str, ...] = ()
