"""The reading side of a record: a run as plain values, be it finished, killed or still at work."""

from __future__ import annotations

import datetime as dt
import io
import json
import sqlite3
import zipfile
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from hilkit.errors import ExitCode, RecordError
from hilkit.judgement import Comparison, StatedDecision, StatedUncertainty
from hilkit.readings import Bound, Budget, Evidence, ReadingKey, Trace, Verdict, overall
from hilkit.record.events import SIMPLE, Outcome, Vary
from hilkit.record.folder import DATABASE
from hilkit.record.schema import VERSION

__all__ = ["NO_GOODBYE", "StoredReading", "StoredRun", "StoredStep", "load_trace", "read_run"]

T = TypeVar("T")

_BROKEN_OFF = (ExitCode.NOT_SAFE, ExitCode.SAFETY, ExitCode.INTERRUPTED, ExitCode.BENCH)

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
    """A step with what came of it. ``took_s`` is bench time, 0 where it did not run to its end."""

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


@dataclass(frozen=True, kw_only=True)
class StoredRun:
    """A whole run.

    ``ended`` is false for a run without a goodbye; its exit code then counts as a bench error.
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

    @property
    def ended(self) -> bool:
        """True when the run said goodbye."""
        return self.ended_utc is not None

    @property
    def folder(self) -> Path:
        """The folder of the run."""
        return self.path.parent

    @property
    def verdict(self) -> Verdict:
        """The verdicts of all steps combined; ``error`` for a run that did not come to its end."""
        verdict = overall(step.verdict for step in self.steps)
        return verdict.overwritten_by(Verdict.ERROR) if self.exit_code in _BROKEN_OFF else verdict

    @property
    def judged(self) -> int:
        """How many readings had a limit."""
        return sum(reading.verdict is not Verdict.NONE for step in self.steps for reading in step.readings)


def read_run(path: Path) -> StoredRun:
    """Read the record at ``path``, a run folder or the file in it; raises ``RecordError`` with the reason."""
    database = path / DATABASE if path.is_dir() else path
    if not database.is_file():
        raise RecordError(
            f"there is no record at {database}", next_step=f"name a run folder: the one that holds {DATABASE}"
        )
    try:
        connection = _connect(database)
        try:
            _check_version(database, connection)
            return _Reader(connection).run(database)
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise RecordError(
            f"{database} cannot be read as a record: {error}", next_step="is this the file of a run?"
        ) from error
    except (ValueError, KeyError, TypeError, AttributeError, IndexError) as error:
        raise _damaged(database, error) from error


def _damaged(database: Path, error: Exception) -> RecordError:
    return RecordError(
        f"the record {database} is damaged: {type(error).__name__}: {error}",
        next_step="take a copy of the file that is whole; transcript.txt beside it tells what was exchanged",
    )


def load_trace(path: Path, number: int) -> Trace:
    """Return one sweep of the record at ``path``."""
    database = path / DATABASE if path.is_dir() else path
    try:
        return _trace(database, number)
    except (sqlite3.Error, zipfile.BadZipFile, ValueError, KeyError, TypeError, EOFError) as error:
        raise _damaged(database, error) from error


def _trace(database: Path, number: int) -> Trace:
    connection = _connect(database)
    try:
        row = connection.execute("SELECT settings, points FROM trace WHERE number = ?", (number,)).fetchone()
    finally:
        connection.close()
    if row is None:
        raise RecordError(f"{database} has no trace number {number}")
    with np.load(io.BytesIO(row["points"])) as arrays:
        return Trace(
            frequency_hz=arrays["frequency_hz"], level_dbm=arrays["level_dbm"], **json.loads(row["settings"])
        )


def _connect(database: Path) -> sqlite3.Connection:
    # A killed run leaves a write-ahead log, which SQLite folds in when it may write; a finished one may be
    # read-only.
    mode = "rw" if database.with_name(database.name + "-wal").exists() else "ro"
    connection = sqlite3.connect(f"{database.resolve().as_uri()}?mode={mode}", uri=True)
    connection.row_factory = sqlite3.Row
    return connection


def _check_version(database: Path, connection: sqlite3.Connection) -> None:
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if not 1 <= version <= VERSION:
        raise RecordError(
            f"{database} has record version {version}; this hilkit reads versions 1 to {VERSION}",
            next_step="read it with the hilkit that wrote it"
            if version > VERSION
            else "is this the file of a run? One that could not be begun (disk full) holds nothing",
        )


class _Reader:
    """Puts the rows of all tables together."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._facts: dict[int, list[tuple[str, str]]] = defaultdict(list)
        self._notes: dict[int, list[str]] = defaultdict(list)
        self._readings: dict[int, list[sqlite3.Row]] = defaultdict(list)

    def _rows(self, table: str, order: str = "number") -> list[sqlite3.Row]:
        return self._connection.execute(f"SELECT * FROM {table} ORDER BY {order}").fetchall()

    def run(self, database: Path) -> StoredRun:
        rows = self._rows("run", "rowid")
        if not rows:
            raise RecordError(f"{database} is empty: the run ended before it had begun")
        for row in self._rows("fact"):
            self._facts[row["step"]].append((row["name"], row["text"]))
        for row in self._rows("note"):
            self._notes[row["step"]].append(row["text"])
        for row in self._rows("reading"):
            self._readings[row["step"]].append(row)
        steps = tuple(self._step(row) for row in self._rows("step"))
        return self._whole(database, rows[0], steps)

    def _whole(self, database: Path, row: sqlite3.Row, steps: tuple[StoredStep, ...]) -> StoredRun:
        values = {name: row[name] for name in row.keys()}  # noqa: SIM118 (a Row iterates over its values)
        ended = values["ended_utc"] is not None
        last_s = max((reading.at_s for step in steps for reading in step.readings), default=0.0)
        code = ExitCode(values["exit_code"]) if ended else ExitCode.BENCH
        return StoredRun(
            **{
                **values,
                "path": database,
                "simulated": bool(values["simulated"]),
                "begun_utc": dt.datetime.fromisoformat(values["begun_utc"]),
                "ended_utc": dt.datetime.fromisoformat(values["ended_utc"]) if ended else None,
                "bench_time_s": values["bench_time_s"] if ended else last_s,
                "exit_code": code,
                "reason": values["reason"] if ended else _broken_off(values),
                "not_safe": tuple(json.loads(values["not_safe"])) if ended else (),
                "calibration": tuple(json.loads(values.get("calibration", "[]"))),
                "steps": steps,
                "facts": tuple(self._facts[0]),
                "notes": tuple(self._notes[0]),
            }
        )

    def _step(self, row: sqlite3.Row) -> StoredStep:
        number = row["number"]
        vary = tuple((name, text) for name, text in json.loads(row["vary"]))
        finished = row["begun_s"] is not None and row["ended_s"] is not None
        outcome, verdict, reason = Outcome(row["outcome"]), Verdict(row["verdict"]), row["reason"]
        if outcome is Outcome.AT_WORK:
            verdict = Verdict.ERROR
        return StoredStep(
            number=number,
            combination=row["combination"],
            vary=vary,
            step=row["step"],
            procedure=row["procedure"],
            settings=json.loads(row["settings"]),
            limits=json.loads(row["limits"]),
            expected_s=row["expected_s"],
            outcome=outcome,
            verdict=verdict,
            reason=reason,
            instrument=row["instrument"],
            transcript=tuple(json.loads(row["transcript"])),
            took_s=row["ended_s"] - row["begun_s"] if finished else 0.0,
            readings=tuple(self._reading(row["step"], vary, item) for item in self._readings[number]),
            facts=tuple(self._facts[number]),
            notes=tuple(self._notes[number]),
            rule=_column(row, "rule", SIMPLE),
        )

    def _reading(self, step: str, vary: Vary, row: sqlite3.Row) -> StoredReading:
        return StoredReading(
            number=row["number"],
            key=ReadingKey(step=step, vary=vary, name=row["name"], phase=row["phase"], index=row["idx"]),
            value=row["value"],
            unit=row["unit"],
            bound=Bound(row["bound"]),
            confidence=row["confidence"],
            note=row["note"],
            verdict=Verdict(row["verdict"]),
            limit=row["limit_text"],
            margin=row["margin"],
            reason=row["reason"],
            evidence=tuple(Evidence(**item) for item in json.loads(row["evidence"])),
            budget=_object(row, "budget", Budget.from_data),
            trace=row["trace"],
            at_s=row["at_s"],
            uncertainty=_object(row, "uncertainty", StatedUncertainty.from_data),
            decision=_object(row, "decision", StatedDecision.from_data),
            comparison=_object(row, "comparison", Comparison.from_data),
        )


def _broken_off(values: dict[str, Any]) -> str:
    """Say what a record without an end means, and what to do about it on a real bench."""
    told = f"the run {NO_GOODBYE}: the program was killed or the PC went down, or it is still at work"
    if values["simulated"]:
        return told
    return f"{told}; RF may still be on: hilkit inspect {values['bench_file']}"


def _column(row: sqlite3.Row, name: str, default: str) -> str:
    """Return a column that older records lack."""
    return str(row[name]) if name in row.keys() else default  # noqa: SIM118 (a Row iterates over its values)


def _object(row: sqlite3.Row, name: str, build: Callable[[dict[str, Any]], T]) -> T | None:
    data = json.loads(_column(row, name, "null"))
    return None if data is None else build(data)
