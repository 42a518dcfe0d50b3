"""What was told is on disk before the next thing happens, and can be read whatever became of the run."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hilkit.errors import ExitCode, RecordError
from hilkit.readings import Bound, Budget, BudgetLine, Distribution, Evidence, Verdict
from hilkit.record import (
    DATABASE,
    Outcome,
    ReadingTaken,
    Record,
    RunEnded,
    StepBegun,
    StepEnded,
    load_trace,
)
from tests.record.samples import LOW, PLANNED, UTC, begun, night, reading, stored, trace


def test_a_record_gives_back_what_was_told(tmp_path: Path) -> None:
    run = stored(tmp_path, night())
    assert (run.plan_name, run.bench_name, run.host) == (
        "night check, two-channel radio head",
        "pier bench",
        "labpc",
    )
    assert run.simulated and run.seed == "17"
    assert run.begun_utc == UTC
    assert run.ended and run.exit_code is ExitCode.BENCH
    assert run.bench_time_s == 70.0
    assert run.facts == (("analyser", "Lab, SA-26, 7, 1.0"),)
    assert [step.verdict for step in run.steps] == ["none", "fail", "pass", "error", "none", "inconc"]
    assert [step.outcome for step in run.steps] == ["done", "done", "done", "error", "skipped", "done"]
    bring_up, tone = run.steps[:2]
    assert bring_up.facts == (("firmware", "4.2.0"),)
    assert bring_up.notes == ("waiting for the reference",)
    assert tone.vary == LOW
    assert tone.took_s == 11.0
    image, leakage, frequency = tone.readings
    assert (image.key.name, image.key.phase, image.value, image.unit) == ("image", "corrected", -41.2, "dBc")
    assert (image.verdict, image.limit, image.margin) == (Verdict.FAIL, "max -50 dBc", -8.8)
    assert (leakage.bound, leakage.confidence) == (Bound.UPPER, 0.95)
    assert frequency.value == 1_850_000_012.25
    assert run.verdict is Verdict.ERROR


def test_a_trace_is_kept_once_and_comes_back_to_the_last_bit(tmp_path: Path) -> None:
    run = stored(tmp_path, night())
    image, leakage, frequency = run.steps[1].readings
    assert image.trace == leakage.trace == 1
    assert frequency.trace is None
    back = load_trace(run.path, 1)
    assert np.array_equal(back.level_dbm, trace().level_dbm)
    assert np.array_equal(back.frequency_hz, trace().frequency_hz)
    assert (back.rbw_hz, back.detector, back.preamplifier) == (1e5, "rms", False)
    with pytest.raises(RecordError, match="no trace number 9"):
        load_trace(tmp_path, 9)


def test_evidence_comes_back(tmp_path: Path) -> None:
    check = Evidence(
        name="floor", held=False, observed="8 dB", required="10 dB", sentence="too near the floor"
    )
    told = reading(PLANNED[0], "image", -60.0, "dBc", evidence=(check,))
    run = stored(tmp_path, [begun(), StepBegun(planned=PLANNED[0]), ReadingTaken(step=1, reading=told)])
    assert run.steps[0].readings[0].evidence == (check,)


def test_a_budget_comes_back_with_its_correlations(tmp_path: Path) -> None:
    level = BudgetLine.from_half_width(
        "level accuracy", 0.3, unit="dB", source="bench file", shared="analyser"
    )
    scatter = BudgetLine(
        quantity="scatter", estimate=0.0, unit="dB", standard=0.02, distribution=Distribution.STUDENT,
        divisor=1.0, degrees_of_freedom=9.0, source="10 sweeps",
    )  # fmt: skip
    budget = Budget(unit="dB", lines=(level, scatter), correlations={(0, 1): -0.25})
    told = reading(PLANNED[0], "image", -60.0, "dBc", budget=budget)
    run = stored(tmp_path, [begun(), StepBegun(planned=PLANNED[0]), ReadingTaken(step=1, reading=told)])
    assert run.steps[0].readings[0].budget == budget


def test_a_reading_is_on_disk_before_the_next_one_begins(tmp_path: Path) -> None:
    record = Record.create(tmp_path)
    other = sqlite3.connect(tmp_path / DATABASE)
    taken = 0
    for event in night():
        record.listener(event)
        taken += isinstance(event, ReadingTaken)
        assert other.execute("SELECT count(*) FROM reading").fetchone()[0] == taken
    other.close()
    record.close()
    assert taken > 30


@pytest.mark.parametrize(("durable", "level"), [(True, 2), (False, 1)])
def test_a_real_bench_waits_for_the_disk_and_virtual_time_does_not(
    tmp_path: Path, durable: bool, level: int
) -> None:
    """sqlite.org, PRAGMA synchronous: NORMAL is 1, FULL is 2; in WAL mode only FULL syncs at every commit."""
    record = Record.create(tmp_path, durable=durable)
    assert record._connection.execute("PRAGMA synchronous").fetchone()[0] == level
    assert record._connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    record.close()


def test_a_finished_record_is_one_file(tmp_path: Path) -> None:
    stored(tmp_path, night())
    assert [path.name for path in tmp_path.iterdir()] == [DATABASE]


KILLED = """
import os, sys
from pathlib import Path
from hilkit.record import Record, ReadingTaken, StepEnded
from tests.record.samples import night
record = Record.create(Path(sys.argv[1]))
for event in night():
    record.listener(event)
    if isinstance(event, ReadingTaken) and event.reading.key.name == "lo_leakage":
        os._exit(9)
"""


def test_a_killed_run_keeps_every_finished_reading(tmp_path: Path) -> None:
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path)], cwd=root, check=False)
    assert done.returncode == 9
    run = Record.open(tmp_path)
    assert not run.ended
    assert run.reason.startswith("the run ended without a goodbye: the program was killed or the PC went")
    assert run.exit_code is ExitCode.BENCH
    assert [len(step.readings) for step in run.steps] == [1, 2, 0, 0, 0, 0]
    assert [step.outcome for step in run.steps[:3]] == [Outcome.DONE, Outcome.AT_WORK, Outcome.PLANNED]
    assert [step.verdict for step in run.steps[:3]] == [Verdict.NONE, Verdict.ERROR, Verdict.NONE]
    assert run.verdict is Verdict.ERROR


@pytest.mark.parametrize("code", [ExitCode.NOT_SAFE, ExitCode.SAFETY, ExitCode.INTERRUPTED, ExitCode.BENCH])
def test_a_run_that_did_not_come_to_its_end_never_reads_as_passed(tmp_path: Path, code: ExitCode) -> None:
    passed = StepEnded(planned=PLANNED[0], outcome=Outcome.DONE, verdict=Verdict.PASS, reason="")
    ended = RunEnded(exit_code=code, reason="it stopped")
    run = stored(tmp_path, [begun(), StepBegun(planned=PLANNED[0]), passed, ended])
    assert run.steps[0].verdict is Verdict.PASS
    assert run.verdict is Verdict.ERROR


def test_a_full_disk_ends_in_an_error_and_loses_no_reading(tmp_path: Path) -> None:
    """A cap on the pages makes SQLite answer as on a full disk (sqlite.org, PRAGMA max_page_count)."""
    record = Record.create(tmp_path)
    record.listener(begun())
    record.listener(StepBegun(planned=PLANNED[0]))
    pages = record._connection.execute("PRAGMA page_count").fetchone()[0]
    record._connection.execute(f"PRAGMA max_page_count = {pages + 3}")
    kept = 0
    with pytest.raises(RecordError) as caught:
        for number in range(10_000):
            record.listener(ReadingTaken(step=1, reading=reading(PLANNED[0], "level", float(number), "dBm")))
            kept += 1
    assert "run.sqlite cannot be written: database or disk is full" in str(caught.value)
    assert "make room" in str(caught.value)
    record.close()
    values = [item.value for item in Record.open(tmp_path).steps[0].readings]
    assert kept > 0
    assert values == [float(number) for number in range(kept)]


def test_a_folder_that_cannot_be_written_is_said_at_once(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"run\.sqlite cannot be written: unable to open database file"):
        Record.create(tmp_path / "not there")


def test_a_record_is_never_overwritten(tmp_path: Path) -> None:
    Record.create(tmp_path).close()
    with pytest.raises(RecordError, match="exists already"):
        Record.create(tmp_path)


def test_what_is_no_record_is_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="there is no record at"):
        Record.open(tmp_path)
    (tmp_path / DATABASE).write_text(
        "not a database, but long enough to be taken for one " * 40, encoding="utf-8"
    )
    with pytest.raises(RecordError, match="cannot be read as a record: file is not a database"):
        Record.open(tmp_path)


def test_a_record_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    run = stored(tmp_path, night())
    connection = sqlite3.connect(run.path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(RecordError, match="record version 99; this hilkit reads versions 1 to 3"):
        Record.open(tmp_path)


def test_a_run_that_was_killed_before_it_had_begun_is_named_so(tmp_path: Path) -> None:
    Record.create(tmp_path).close()
    with pytest.raises(RecordError, match="the run ended before it had begun"):
        Record.open(tmp_path)


def test_a_finished_record_can_be_read_from_a_read_only_folder(tmp_path: Path) -> None:
    run = stored(tmp_path, night())
    run.path.chmod(0o444)
    tmp_path.chmod(0o555)
    try:
        assert Record.open(tmp_path).ended
    finally:
        tmp_path.chmod(0o755)


def test_a_disk_that_is_full_at_the_start_leaves_nothing_to_be_read_and_says_so(tmp_path: Path) -> None:
    """A cap on the pages makes SQLite answer as on a full disk (sqlite.org, PRAGMA max_page_count)."""
    record = Record.create(tmp_path)
    pages = record._connection.execute("PRAGMA page_count").fetchone()[0]
    record._connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(RecordError) as caught:
        record.listener(replace(begun(), plan_text="x" * 1_000_000))
    record.close()
    assert "nothing was recorded" in caught.value.next_step
    assert "hilkit report" not in caught.value.next_step


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE reading SET bound = 'sideways'",
        "UPDATE reading SET evidence = '{'",
        "UPDATE step SET verdict = 'maybe'",
        "UPDATE step SET vary = '[1]'",
        "UPDATE run SET begun_utc = 'yesterday'",
        "UPDATE run SET not_safe = CAST(X'FFFE' AS TEXT)",
        "UPDATE reading SET name = CAST(X'FFFE' AS TEXT)",
    ],
)
def test_a_damaged_record_is_told_as_one(tmp_path: Path, change: str) -> None:
    stored(tmp_path, night())
    connection = sqlite3.connect(tmp_path / DATABASE)
    with connection:
        connection.execute(change)
    connection.close()
    with pytest.raises(RecordError, match=r"is damaged|cannot be read as a record"):
        Record.open(tmp_path)


def test_a_damaged_trace_is_told_as_one(tmp_path: Path) -> None:
    run = stored(tmp_path, night())
    number = next(item.trace for step in run.steps for item in step.readings if item.trace is not None)
    connection = sqlite3.connect(tmp_path / DATABASE)
    with connection:
        connection.execute("UPDATE trace SET points = X'00FF'")
    connection.close()
    with pytest.raises(RecordError, match="is damaged"):
        load_trace(tmp_path, number)


def test_a_reading_with_a_long_budget_is_one_commit_and_costs_little_more_than_its_text(
    tmp_path: Path,
) -> None:
    """A sweep point must not wait for its record: at most 6 times what making the text alone takes."""
    line = BudgetLine(
        quantity="loss of the cable",
        estimate=0.0,
        unit="dB",
        standard=0.1234567,
        distribution=Distribution.RECTANGULAR,
        divisor=1.7320508,
        source="bench file",
    )
    budget = Budget(unit="dBm", lines=tuple(replace(line, quantity=f"part {n}") for n in range(30)))
    text_of = budget.to_data()
    event = ReadingTaken(step=1, reading=reading(PLANNED[0], "level", 1.0, "dBm", budget=budget))
    record = Record.create(tmp_path, durable=False)
    record.listener(begun())
    statements: list[str] = []
    record._connection.set_trace_callback(statements.append)
    record.listener(event)
    record._connection.set_trace_callback(None)
    assert [text for text in statements if text.startswith(("BEGIN", "COMMIT"))] == [
        "BEGIN IMMEDIATE",
        "COMMIT",
    ]

    def least_s(work: Callable[[], object]) -> float:
        taken = []
        for _ in range(50):
            start = time.thread_time()
            work()
            taken.append(time.thread_time() - start)
        return min(taken)

    assert least_s(lambda: record.listener(event)) < 6 * least_s(lambda: json.dumps(text_of))
    record.close()
