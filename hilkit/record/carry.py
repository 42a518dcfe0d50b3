"""Takes finished steps of an earlier record over into a new one, with their readings and times."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from hilkit.record.connect import connect
from hilkit.record.folder import DATABASE
from hilkit.record.parts import Parts

__all__ = ["carry_over"]

_OF_STEP = (
    "outcome",
    "verdict",
    "reason",
    "instrument",
    "transcript",
    "begun_utc",
    "begun_s",
    "ended_utc",
    "ended_s",
)


def carry_over(folder: Path, steps: Iterable[int], target: sqlite3.Connection, parts: Parts) -> None:
    """Copy what the record in ``folder`` has of ``steps``, and its facts on the bench as a whole.

    Both records have the same plan, so a step has the same number in both. Belongs into a transaction of
    ``target``: there is never a record that holds half of what was carried over.
    """
    source = connect(folder / DATABASE)
    try:
        _facts(source, target, 0)
        copy = _Copy(source, target, parts)
        for number in sorted(steps):
            copy.step(number, str(folder))
    finally:
        source.close()


class _Copy:
    def __init__(self, source: sqlite3.Connection, target: sqlite3.Connection, parts: Parts) -> None:
        self._source = source
        self._target = target
        self._parts = parts
        self._texts = {row["number"]: row["text"] for row in source.execute("SELECT * FROM part")}

    def step(self, number: int, folder: str) -> None:
        row = self._source.execute("SELECT * FROM step WHERE number = ?", (number,)).fetchone()
        changes = ", ".join(f"{name} = ?" for name in (*_OF_STEP, "taken_in"))
        values = (*(row[name] for name in _OF_STEP), row["taken_in"] or folder, number)
        self._target.execute(f"UPDATE step SET {changes} WHERE number = ?", values)
        traces: dict[int | None, int | None] = {None: None}
        for trace in self._source.execute("SELECT * FROM trace WHERE step = ? ORDER BY number", (number,)):
            traces[trace["number"]] = _insert(self._target, "trace", trace)
        for reading in self._source.execute(
            "SELECT * FROM reading WHERE step = ? ORDER BY number", (number,)
        ):
            budget = json.loads(reading["budget"])
            if budget is not None:
                budget["lines"] = self._renumbered(budget["lines"])
            changed = {
                "trace": traces[reading["trace"]],
                "evidence": json.dumps(self._renumbered(json.loads(reading["evidence"]))),
                "budget": json.dumps(budget),
            }
            _insert(self._target, "reading", reading, changed)
        _facts(self._source, self._target, number)
        for note in self._source.execute("SELECT * FROM note WHERE step = ? ORDER BY number", (number,)):
            _insert(self._target, "note", note)

    def _renumbered(self, numbers: list[int]) -> list[int]:
        return [self._parts.number(self._texts[number]) for number in numbers]


def _facts(source: sqlite3.Connection, target: sqlite3.Connection, step: int) -> None:
    for fact in source.execute("SELECT * FROM fact WHERE step = ? ORDER BY number", (step,)):
        _insert(target, "fact", fact)


def _insert(
    target: sqlite3.Connection, table: str, row: sqlite3.Row, changed: dict[str, Any] | None = None
) -> int:
    """Insert a row under a number of its own."""
    values = {name: row[name] for name in row.keys() if name != "number"} | (changed or {})  # noqa: SIM118
    columns = ", ".join(values)
    marks = ", ".join("?" * len(values))
    cursor = target.execute(f"INSERT INTO {table} ({columns}) VALUES ({marks})", tuple(values.values()))
    return int(cursor.lastrowid or 0)
