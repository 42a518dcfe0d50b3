"""Uncertainty, decision and comparison come back from the record; records of the first version still read."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from hilkit.errors import UsageError
from hilkit.readings import Verdict
from hilkit.record import ReadingJudged, ReadingTaken, Record, find_readings
from tests.record.samples import begun, night, stored
from tests.record.sure import sure_night


def test_uncertainty_decision_and_comparison_come_back(tmp_path: Path) -> None:
    events = sure_night()
    run = stored(tmp_path, events)
    told = [event for event in events if isinstance(event, ReadingTaken)]
    kept = [reading for step in run.steps for reading in step.readings]
    for event, reading in zip(told, kept, strict=True):
        assert reading.uncertainty == event.uncertainty
        assert reading.decision == event.decision
        assert reading.comparison == event.comparison
    assert [reading.verdict for reading in kept] == [
        Verdict.PASS, Verdict.NONE, Verdict.PASS, Verdict.PASS,
        Verdict.PASS, Verdict.NONE, Verdict.INCONC, Verdict.PASS,
    ]  # fmt: skip


def test_a_reading_that_is_judged_again_has_its_new_judgement(tmp_path: Path) -> None:
    events = sure_night()
    position = next(
        i for i, event in enumerate(events) if isinstance(event, ReadingTaken) and event.comparison
    )
    early = events[position]
    assert isinstance(early, ReadingTaken)
    events[position] = replace(early, verdict=Verdict.INCONC, margin=None, decision=None, comparison=None)
    later = ReadingJudged(
        step=early.step,
        key=early.reading.key,
        verdict=early.verdict,
        limit=early.limit,
        margin=early.margin,
        reason=early.reason,
        decision=early.decision,
        comparison=early.comparison,
    )
    events.insert(position + 1, later)
    first, second = stored(tmp_path, events).steps
    assert (first.readings[3].verdict, first.readings[3].comparison) == (Verdict.PASS, early.comparison)
    assert second.readings[3].number == 8


def test_rule_and_calibrations_of_the_run_come_back(tmp_path: Path) -> None:
    told = replace(begun(), rule="guard band", calibration=("the analyser",), expired_allowed="only looking")
    run = stored(tmp_path, [told])
    assert (run.rule, run.calibration, run.expired_allowed) == (
        "guard band",
        ("the analyser",),
        "only looking",
    )


def test_a_record_of_the_first_version_is_read_without_what_it_lacks(tmp_path: Path) -> None:
    run = stored(tmp_path, night())
    connection = sqlite3.connect(run.path)
    for table, columns in {
        "run": ("rule", "calibration", "expired_allowed"),
        "step": ("rule",),
        "reading": ("uncertainty", "decision", "comparison"),
    }.items():
        for column in columns:
            connection.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
    connection.execute("PRAGMA user_version = 1")
    connection.commit()
    connection.close()
    old = Record.open(tmp_path)
    assert old.rule == "simple acceptance"
    assert old.calibration == ()
    assert old.steps[1].readings[0].uncertainty is None
    assert [step.verdict for step in old.steps] == [step.verdict for step in run.steps]


# --- finding a reading


@pytest.mark.parametrize(
    ("name", "at", "numbers"),
    [
        ("tone_placement.tone_level.corrected", {"carrier": "1842.5 MHz"}, [3]),
        ("tone_placement.tone_level.corrected", {"carrier": "2350mhz"}, [7]),
        ("image_level", {"carrier": "2350 MHz", "channel": "1.0"}, [8]),
        ("tone_level.uncorrected", {}, [2, 6]),
        ("tone_placement.tone_level", {"carrier": "2350 MHz"}, [6, 7]),
        ("5", {}, [5]),
    ],
)
def test_a_reading_is_found_by_what_a_person_writes(
    tmp_path: Path, name: str, at: dict[str, str], numbers: list[int]
) -> None:
    run = stored(tmp_path, sure_night())
    assert [reading.number for reading in find_readings(run, name, at)] == numbers


@pytest.mark.parametrize(("name", "at"), [("step_error[12]", {}), ("step_error", {"index": "12.0"})])
def test_a_member_of_a_series_is_found_by_its_index(tmp_path: Path, name: str, at: dict[str, str]) -> None:
    (found,) = find_readings(stored(tmp_path, night()), name, at)
    assert found.key.index == 12.0


@pytest.mark.parametrize(
    ("name", "at", "hint"),
    [
        ("tone_levle.corrected", {}, "did you mean tone_level.corrected"),
        ("power", {}, "its readings are tone_placement.locked, "),
        ("99", {}, "numbers go from 1 to 8"),
        ("locked", {"carrier": "900 MHz"}, "it was taken at: channel=1,carrier=1842.5 MHz; channel=1,"),
        ("locked", {"chanel": "1"}, "it was taken at: channel=1"),
    ],
)
def test_what_is_not_there_is_answered_with_what_is(
    tmp_path: Path, name: str, at: dict[str, str], hint: str
) -> None:
    with pytest.raises(UsageError) as caught:
        find_readings(stored(tmp_path, sure_night()), name, at)
    assert hint in caught.value.next_step
