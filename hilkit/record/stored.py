"""A run as plain values, as its record has it, be it finished, killed or still at work."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hilkit.errors import ExitCode
from hilkit.judgement import Comparison, StatedDecision, StatedUncertainty
from hilkit.readings import Bound, Budget, Evidence, ReadingKey, Verdict, overall
from hilkit.record.events import SIMPLE, Outcome, Resumed, Vary

__all__ = ["NO_GOODBYE", "StoredReading", "StoredRun", "StoredStep"]

_BROKEN_OFF = (ExitCode.NOT_SAFE, ExitCode.SAFETY, ExitCode.INTERRUPTED, ExitCode.BENCH)

_STOPPED = (ExitCode.NOT_SAFE, ExitCode.SAFETY, ExitCode.INTERRUPTED)

NO_GOODBYE = "ended without a goodbye"
"""What is said of a run whose record has no end: it was killed, lost its power, or is still at work."""


@dataclass(frozen=True, kw_only=True)
class StoredReading:
    """A reading with its judgement.

    ``trace`` is the number to give to `load_trace`, ``None`` without a trace.
    """

    number: int
    key: ReadingKey
    value: float
    unit: str
    bound: Bound
    confidence: float | None
    note: str
    verdict: Verdict
    limit: str
    margin: float | None
    reason: str
    evidence: tuple[Evidence, ...]
    budget: Budget | None
    trace: int | None
    at_s: float
    uncertainty: StatedUncertainty | None = None
    decision: StatedDecision | None = None
    comparison: Comparison | None = None


@dataclass(frozen=True, kw_only=True)
class StoredStep:
    """A step with what came of it.

    ``took_s`` is bench time, 0 where it did not run to its end. ``taken_in`` is the folder of the earlier run
    that took the readings, empty where it was this one.
    """

    number: int
    combination: int
    vary: Vary
    step: str
    procedure: str
    settings: dict[str, Any]
    limits: dict[str, Any]
    expected_s: float
    outcome: Outcome
    verdict: Verdict
    reason: str
    instrument: str
    transcript: tuple[str, ...]
    took_s: float
    readings: tuple[StoredReading, ...]
    facts: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    rule: str = SIMPLE
    procedure_version: int = 1
    taken_in: str = ""

    @property
    def finished(self) -> bool:
        """True where all was read that was to be read, whatever the limits made of it."""
        return self.outcome is Outcome.DONE and self.verdict is not Verdict.ERROR


@dataclass(frozen=True, kw_only=True)
class StoredRun:
    """A whole run.

    ``ended`` is false for a run without a goodbye; its exit code then counts as a bench error.
    ``fingerprint`` and ``choice`` are empty in a record older than they are. ``resumed`` are the runs that
    this one went on with, the latest last.
    """

    path: Path
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
    begun_utc: dt.datetime
    ended_utc: dt.datetime | None
    bench_time_s: float
    exit_code: ExitCode
    reason: str
    not_safe: tuple[str, ...]
    steps: tuple[StoredStep, ...]
    facts: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    rule: str = SIMPLE
    calibration: tuple[str, ...] = ()
    expired_allowed: str = ""
    fingerprint: Mapping[str, str] = field(default_factory=dict)
    choice: Mapping[str, Any] = field(default_factory=dict)
    resumed: tuple[Resumed, ...] = ()

    @property
    def ended(self) -> bool:
        """True when the run said goodbye."""
        return self.ended_utc is not None

    @property
    def folder(self) -> Path:
        """The folder of the run."""
        return self.path.parent

    @property
    def complete(self) -> bool:
        """True where the run said goodbye and no step is left to do."""
        return self.ended and self.exit_code not in _STOPPED and all(step.finished for step in self.steps)

    @property
    def verdict(self) -> Verdict:
        """The verdicts of all steps combined; ``error`` for a run that did not come to its end."""
        verdict = overall(step.verdict for step in self.steps)
        return verdict.overwritten_by(Verdict.ERROR) if self.exit_code in _BROKEN_OFF else verdict

    @property
    def judged(self) -> int:
        """How many readings had a limit."""
        return sum(reading.verdict is not Verdict.NONE for step in self.steps for reading in step.readings)
