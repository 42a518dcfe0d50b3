"""``hilkit report``: the JUnit file and the summary again, from a finished or a killed run."""

from __future__ import annotations

from pathlib import Path

import junitparser
import pytest

from tests.cli.calls import call
from tests.record.samples import night, stored


def test_a_finished_run_is_reported_with_its_own_exit_code(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stored(tmp_path, night())
    done = call(capsys, "report", tmp_path)
    assert done.code == 3
    assert "image corrected           -41.200 dBc  max -50 dBc   -8.800 dB  fail" in done.out
    (suite,) = junitparser.JUnitXml.fromfile(str(tmp_path / "junit.xml"))
    assert (suite.tests, suite.failures, suite.errors) == (6, 2, 1)


def test_a_killed_run_is_reported_as_far_as_it_came(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stored(tmp_path, night()[:10])
    done = call(capsys, "report", tmp_path / "run.sqlite")
    assert done.code == 3
    assert "stopped early: the run ended without a goodbye" in done.out
    assert "<= -62.000 dBc" in done.out
    assert (tmp_path / "junit.xml").exists()


def test_a_run_is_found_by_its_name_under_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "runs" / "20261125T221503Z-night_check"
    folder.mkdir(parents=True)
    stored(folder, night())
    assert call(capsys, "report", folder.name).code == 3


def test_a_folder_without_a_record_is_exit_3_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = call(capsys, "report", tmp_path)
    assert done.code == 3
    assert "there is no record at" in done.err


def test_readings_are_shown_where_the_junit_file_cannot_be_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stored(tmp_path, night())
    (tmp_path / "junit.xml.unfinished").mkdir()  # as good as a full disk: the file cannot be opened
    done = call(capsys, "report", tmp_path)
    assert done.code == 3
    assert "image corrected" in done.out
    assert "junit.xml cannot be written" in done.err
