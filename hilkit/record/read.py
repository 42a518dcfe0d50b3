"""The reading side of a record."""

from __future__ import annotations

import datetime as dt
import io
import json
import sqlite3
import zipfile
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from hilkit.errors import ExitCode, RecordError
from hilkit.judgement import Comparison, StatedDecision, StatedUncertainty
from hilkit.readings import Bound, Budget, Evidence, ReadingKey, Trace, Verdict
from hilkit.record.connect import connect
from hilkit.record.events import SIMPLE, Outcome, Resumed, Vary
from hilkit.record.folder import DATABASE
from hilkit.record.schema import VERSION
from hilkit.record.stored import NO_GOODBYE, StoredReading, StoredRun, StoredStep

__all__ = ["load_trace", "read_run"]

T = TypeVar("T")


def read_run(path: Path) -> StoredRun:
    """Read the record at ``path``, a run folder or the file in it; raises ``RecordError`` with the reason."""
    database = path / DATABASE if path.is_dir() else path
    if not database.is_file():
        raise RecordError(
            f"there is no record at {database}", next_step=f"name a run folder: the one that holds {DATABASE}"
        )
    try:
        connection = connect(database)
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
    connection = connect(database)
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
        self._parts: dict[int, dict[str, Any]] = {}

    def _rows(self, table: str, order: str = "number") -> list[sqlite3.Row]:
        return self._connection.execute(f"SELECT * FROM {table} ORDER BY {order}").fetchall()

    def run(self, database: Path) -> StoredRun:
        rows = self._rows("run", "rowid")
        if not rows:
            raise RecordError(f"{database} is empty: the run ended before it had begun")
        if _has_parts(self._connection):
            self._parts = {row["number"]: json.loads(row["text"]) for row in self._rows("part")}
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
                "fingerprint": json.loads(values.get("fingerprint", "{}")),
                "choice": json.loads(values.get("choice", "{}")),
                "resumed": tuple(_resumed(each) for each in json.loads(values.get("resumed", "[]"))),
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
            procedure_version=row["procedure_version"],
            taken_in=_column(row, "taken_in", ""),
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
            evidence=tuple(Evidence(**item) for item in self._whole_parts(json.loads(row["evidence"]))),
            budget=_object(row, "budget", self._budget),
            trace=row["trace"],
            at_s=row["at_s"],
            uncertainty=_object(row, "uncertainty", StatedUncertainty.from_data),
            decision=_object(row, "decision", StatedDecision.from_data),
            comparison=_object(row, "comparison", Comparison.from_data),
        )

    def _budget(self, data: dict[str, Any]) -> Budget:
        return Budget.from_data({**data, "lines": self._whole_parts(data["lines"])})

    def _whole_parts(self, items: list[Any]) -> list[dict[str, Any]]:
        """Return parts by their numbers; in a record of version 2 they stand there themselves."""
        return [self._parts[item] if isinstance(item, int) else item for item in items]


def _has_parts(connection: sqlite3.Connection) -> bool:
    return bool(connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'part'").fetchone())


def _resumed(data: dict[str, Any]) -> Resumed:
    return Resumed(**{**data, "carried": tuple(data["carried"])})


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
