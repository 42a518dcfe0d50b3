"""The writing side of a record: first and synchronous listener of a run's events."""

from __future__ import annotations

import io
import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from hilkit.errors import RecordError
from hilkit.readings import Budget, Trace, Verdict
from hilkit.record import events
from hilkit.record.carry import carry_over
from hilkit.record.folder import DATABASE, sync_folder
from hilkit.record.parts import Parts
from hilkit.record.read import read_run
from hilkit.record.schema import SCHEMA, VERSION
from hilkit.record.stored import StoredRun
from hilkit.record.values import as_json, storable

__all__ = ["Record"]

_TRACE_ARRAYS = ("frequency_hz", "level_dbm")

_RUN_COLUMNS = (
    "plan_name",
    "plan_slug",
    "plan_file",
    "plan_text",
    "plan_digest",
    "bench_name",
    "bench_file",
    "bench_text",
    "seed",
    "hilkit_version",
    "python",
    "host",
    "process",
    "chosen",
    "rule",
    "expired_allowed",
)


class Record:
    """A run on disk that is being written.

    An event is durable when ``listener`` returns: on a real bench down to the disk (``synchronous=FULL``), in
    virtual time down to the operating system. Raises ``RecordError`` when the disk takes no more; everything
    written before stays readable.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection
        self._begun = False
        self._before_write: Callable[[], None] = lambda: None
        self._traces: list[tuple[Trace, int]] = []
        self._parts = Parts(lambda text: self._insert("part", {"text": text}))
        self._handlers: Mapping[type[events.Event], Callable[[Any], None]] = {
            events.RunBegun: self._run_begun,
            events.StepBegun: self._step_begun,
            events.FactNoted: self._fact,
            events.NoteTaken: self._note,
            events.ReadingTaken: self._reading,
            events.ReadingJudged: self._judged,
            events.StepEnded: self._step_ended,
            events.RunEnded: self._run_ended,
        }

    @classmethod
    def create(
        cls, folder: Path, *, durable: bool = True, before_write: Callable[[], None] | None = None
    ) -> Record:
        """Make ``run.sqlite`` in ``folder``, which must not have one yet.

        ``durable`` waits for the disk at every reading; virtual time can do without. ``before_write`` is the
        simulated disk, which raises ``OSError`` when it is full.
        """
        path = folder / DATABASE
        if path.exists():
            raise RecordError(
                f"{path} exists already", next_step="a record is never overwritten: name a new folder"
            )
        try:
            connection = sqlite3.connect(path, isolation_level=None)
        except sqlite3.Error as error:
            raise _cannot_begin(path, error) from error
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
            connection.executescript(f"BEGIN;\n{SCHEMA}\nPRAGMA user_version = {VERSION};\nCOMMIT;")
            if durable:
                sync_folder(folder)
        except sqlite3.Error as error:
            connection.close()
            raise _cannot_begin(path, error) from error
        record = cls(path, connection)
        record._before_write = before_write or record._before_write
        return record

    @staticmethod
    def open(path: Path) -> StoredRun:
        """Read a finished, killed or running record: ``path`` is a run folder or its ``run.sqlite``."""
        return read_run(path)

    def listener(self, event: events.Event) -> None:
        """Write one event; it is on disk when this returns."""
        handler = self._handlers.get(type(event))
        if handler is None:
            return
        with self._transaction():
            handler(event)

    def close(self) -> None:
        """Bring the record back to one file.

        A disk that is full leaves it in two, which can be read just as well.
        """
        with suppress(sqlite3.Error):
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self._connection.execute("PRAGMA journal_mode = DELETE")
        self._connection.close()

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            self._before_write()
            yield
            self._connection.execute("COMMIT")
        except BaseException as error:
            with suppress(sqlite3.Error):  # a full disk has rolled back already
                self._connection.execute("ROLLBACK")
            self._parts.forget()
            if isinstance(error, sqlite3.Error | OSError):
                raise (_cannot_write if self._begun else _cannot_begin)(self.path, error) from error
            raise
        self._begun = True

    def _insert(self, table: str, values: Mapping[str, object]) -> int:
        columns = ", ".join(values)
        marks = ", ".join("?" * len(values))
        cursor = self._connection.execute(
            f"INSERT INTO {table} ({columns}) VALUES ({marks})", storable(values)
        )
        return int(cursor.lastrowid or 0)

    def _update(self, table: str, values: Mapping[str, object], *, where: int | None = None) -> None:
        changes = ", ".join(f"{name} = ?" for name in values)
        condition = "" if where is None else " WHERE number = ?"
        numbers = () if where is None else (where,)
        self._connection.execute(f"UPDATE {table} SET {changes}{condition}", (*storable(values), *numbers))

    def _run_begun(self, event: events.RunBegun) -> None:
        values: dict[str, object] = {name: getattr(event, name) for name in _RUN_COLUMNS}
        values |= {"calibration": json.dumps(event.calibration), "simulated": int(event.simulated)}
        values |= {
            "fingerprint": json.dumps(dict(event.fingerprint)),
            "choice": json.dumps(dict(event.choice)),
        }
        values |= {"resumed": json.dumps([asdict(run) for run in event.resumed])}
        self._insert("run", {**values, "begun_utc": event.utc.isoformat()})
        for step in event.steps:
            fresh = {
                "vary": json.dumps(step.vary),
                "outcome": str(events.Outcome.PLANNED),
                "verdict": str(Verdict.NONE),
                "reason": "",
                "instrument": "",
                "transcript": "[]",
                "taken_in": "",
            }
            self._insert("step", {**asdict(step), **fresh})
        if event.resumed:
            last = event.resumed[-1]
            carry_over(Path(last.folder), last.carried, self._connection, self._parts)

    def _step_begun(self, event: events.StepBegun) -> None:
        self._traces.clear()
        values = {
            "outcome": str(events.Outcome.AT_WORK),
            "begun_utc": event.utc.isoformat(),
            "begun_s": event.at_s,
        }
        self._update("step", values, where=event.planned.number)

    def _fact(self, event: events.FactNoted) -> None:
        self._insert("fact", {"step": event.step, "name": event.name, "text": event.text})

    def _note(self, event: events.NoteTaken) -> None:
        self._insert("note", {"step": event.step, "at_s": event.at_s, "text": event.text})

    def _reading(self, event: events.ReadingTaken) -> None:
        reading = event.reading
        values = {
            "step": event.step,
            "name": reading.key.name,
            "phase": reading.key.phase,
            "idx": reading.key.index,
            "value": reading.value,
            "unit": reading.unit,
            "bound": str(reading.bound),
            "confidence": reading.confidence,
            "note": reading.note,
            "verdict": str(event.verdict),
            "limit_text": event.limit,
            "margin": event.margin,
            "reason": event.reason,
            "evidence": json.dumps(self._parts.numbers(vars(evidence) for evidence in reading.evidence)),
            "budget": json.dumps(self._budget(reading.budget)),
            "uncertainty": as_json(event.uncertainty),
            "decision": as_json(event.decision),
            "comparison": as_json(event.comparison),
            "trace": self._trace(event.step, reading.trace),
            "at_s": event.at_s,
            "utc": event.utc.isoformat(),
        }
        self._insert("reading", values)

    def _judged(self, event: events.ReadingJudged) -> None:
        values = {
            "verdict": str(event.verdict),
            "limit_text": event.limit,
            "margin": event.margin,
            "reason": event.reason,
            "decision": as_json(event.decision),
            "comparison": as_json(event.comparison),
        }
        changes = ", ".join(f"{name} = ?" for name in values)
        key = event.key
        self._connection.execute(
            f"UPDATE reading SET {changes} WHERE step = ? AND name = ? AND phase = ? AND idx IS ?",
            (*storable(values), event.step, key.name, key.phase, key.index),
        )

    def _budget(self, budget: Budget | None) -> dict[str, Any] | None:
        if budget is None:
            return None
        data = budget.to_data()
        return {**data, "lines": self._parts.numbers(data["lines"])}

    def _trace(self, step: int, trace: Trace | None) -> int | None:
        if trace is None:
            return None
        for known, number in self._traces:
            if known is trace:
                return number
        settings = {name: value for name, value in vars(trace).items() if name not in _TRACE_ARRAYS}
        blob = io.BytesIO()
        np.savez_compressed(blob, frequency_hz=trace.frequency_hz, level_dbm=trace.level_dbm)
        number = self._insert(
            "trace", {"step": step, "settings": json.dumps(settings), "points": blob.getvalue()}
        )
        self._traces.append((trace, number))
        return number

    def _step_ended(self, event: events.StepEnded) -> None:
        values = {
            "outcome": str(event.outcome),
            "verdict": str(event.verdict),
            "reason": event.reason,
            "instrument": event.instrument,
            "transcript": json.dumps(event.transcript, ensure_ascii=False),
            "ended_utc": event.utc.isoformat(),
            "ended_s": event.at_s,
        }
        self._update("step", values, where=event.planned.number)

    def _run_ended(self, event: events.RunEnded) -> None:
        values = {
            "ended_utc": event.utc.isoformat(),
            "bench_time_s": event.at_s,
            "exit_code": int(event.exit_code),
            "reason": event.reason,
            "not_safe": json.dumps(event.not_safe),
        }
        self._update("run", values)


def _cannot_write(path: Path, error: sqlite3.Error | OSError) -> RecordError:
    return RecordError(
        f"the record {path} cannot be written: {error}",
        next_step="make room or name another place with --out; the readings written so far can be read with"
        f" 'hilkit report {path.parent}'",
    )


def _cannot_begin(path: Path, error: sqlite3.Error | OSError) -> RecordError:
    return RecordError(
        f"the record {path} cannot be written: {error}",
        next_step="make room or name another place with --out; nothing was recorded, nothing was sent",
    )
