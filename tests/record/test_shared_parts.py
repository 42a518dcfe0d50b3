"""What many readings share is kept once, as durable as the readings, and older records are still read."""

from __future__ import annotations

import json
import os
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from hilkit.errors import RecordError
from hilkit.readings import Budget, BudgetLine, Evidence
from hilkit.record import ReadingTaken, Record, StepBegun
from hilkit.record import parts as parts_module
from hilkit.record.folder import sync_folder
from tests.record.samples import PLANNED, begun, reading, stored

LINES = tuple(
    BudgetLine.from_half_width(f"part {n}", 0.1 + n, unit="dB", source="a data sheet") for n in range(12)
)
CHECK = Evidence(name="overload", held=True, observed="none", required="none", sentence="nothing overloads")


def taken(number: int, lines: tuple[BudgetLine, ...] = LINES) -> ReadingTaken:
    plain = reading(PLANNED[0], f"level_{number}", float(number), "dBm")
    budget = Budget(unit="dB", lines=lines, correlations={(0, 1): 0.5})
    return ReadingTaken(at_s=1.0, step=1, reading=replace(plain, budget=budget, evidence=(CHECK,)))


def events(count: int) -> list[object]:
    return [begun(), StepBegun(planned=PLANNED[0]), *(taken(number) for number in range(count))]


def test_a_line_that_readings_share_is_kept_once_and_each_gets_it_back(tmp_path: Path) -> None:
    run = stored(tmp_path, events(20))
    with sqlite3.connect(run.path) as connection:
        assert connection.execute("SELECT count(*) FROM part").fetchone()[0] == len(LINES) + 1
    for each in run.steps[0].readings:
        assert each.budget is not None
        assert each.budget.lines == LINES
        assert each.budget.correlations == {(0, 1): 0.5}
        assert each.evidence == (CHECK,)


def test_a_long_run_forgets_parts_and_writes_them_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parts_module, "_MOST", 5)
    run = stored(tmp_path, events(3))
    assert [each.budget.lines for each in run.steps[0].readings if each.budget] == [LINES] * 3


def test_parts_of_a_reading_that_was_taken_back_are_written_again(tmp_path: Path) -> None:
    """A full disk (sqlite.org, PRAGMA max_page_count) takes the whole reading back, its lines too."""
    record = Record.create(tmp_path)
    for event in events(0):
        record.listener(event)
    count = record._connection.execute("PRAGMA page_count").fetchone()[0]
    record._connection.execute(f"PRAGMA max_page_count = {count}")
    with pytest.raises(RecordError):
        for number in range(50):
            record.listener(taken(number, tuple(replace(line, source="x" * 900) for line in LINES)))
    record._connection.execute("PRAGMA max_page_count = 100000")
    last = taken(99, tuple(replace(line, source="x" * 900) for line in LINES))
    record.listener(last)
    record.close()
    assert Record.open(tmp_path).steps[0].readings[-1].budget == last.reading.budget


def test_a_record_of_the_second_version_is_read(tmp_path: Path) -> None:
    """There the lines of a budget and the self-checks stand in the reading itself."""
    run = stored(tmp_path, events(2))
    connection = sqlite3.connect(run.path)
    for number, budget, evidence in connection.execute(
        "SELECT number, budget, evidence FROM reading"
    ).fetchall():
        part = dict(connection.execute("SELECT number, text FROM part"))
        whole = json.loads(budget)
        whole["lines"] = [json.loads(part[each]) for each in whole["lines"]]
        checks = [json.loads(part[each]) for each in json.loads(evidence)]
        connection.execute(
            "UPDATE reading SET budget = ?, evidence = ? WHERE number = ?",
            (json.dumps(whole), json.dumps(checks), number),
        )
    connection.execute("DROP TABLE part")
    for table, column in (
        ("run", "choice"),
        ("run", "fingerprint"),
        ("run", "resumed"),
        ("step", "taken_in"),
    ):
        connection.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
    connection.execute("PRAGMA user_version = 2")
    connection.commit()
    connection.close()
    old = Record.open(tmp_path)
    assert old.steps == run.steps
    assert (old.fingerprint, old.choice, old.resumed) == ({}, {}, ())


def test_the_names_of_record_and_folder_are_brought_to_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """fsync(2), notes: the entry in the folder needs a sync of its own."""
    synced: list[str] = []
    monkeypatch.setattr(os, "O_DIRECTORY", getattr(os, "O_DIRECTORY", 0), raising=False)
    monkeypatch.setattr(
        os, "open", lambda path, flags: len(synced) + 100 if not synced.append(str(path)) else 0
    )
    monkeypatch.setattr(os, "fsync", lambda handle: synced.append(f"sync {handle}"))
    monkeypatch.setattr(os, "close", lambda handle: None)
    sync_folder(tmp_path / "run")
    assert [text for text in synced if not text.startswith("sync")] == [
        str(tmp_path / "run"),
        str(tmp_path),
    ]
    assert len(synced) == 4


def test_a_system_without_such_a_call_goes_on_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delattr(os, "O_DIRECTORY", raising=False)
    monkeypatch.setattr(os, "open", lambda *_: pytest.fail("no folder can be opened here"))
    sync_folder(tmp_path)
