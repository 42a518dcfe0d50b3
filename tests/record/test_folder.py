"""A run gets a folder of its own, whose name can be written on every system."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from hilkit.errors import RecordError
from hilkit.record import new_run_folder, slug

NIGHT = dt.datetime(2026, 11, 25, 22, 15, 3, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("name", "short"),
    [
        ("night_check", "night_check"),
        ("Night check, two-channel radio head", "night_check_two_channel_radio_head"),
        ("../../etc", "etc"),
        ("Ünïcode", "n_code"),
        ("...", "plan"),
        ("x" * 300, "x" * 60),
    ],
)
def test_a_slug_holds_nothing_that_a_file_system_minds(name: str, short: str) -> None:
    assert slug(name) == short


def test_the_folder_is_named_by_utc_time_and_plan(tmp_path: Path) -> None:
    folder = new_run_folder(tmp_path / "runs", "night_check", NIGHT)
    assert folder == tmp_path / "runs" / "20261125T221503Z-night_check"
    assert folder.is_dir()


def test_two_runs_of_one_second_get_two_folders(tmp_path: Path) -> None:
    names = [new_run_folder(tmp_path, "night_check", NIGHT).name for _ in range(3)]
    assert names == [f"20261125T221503Z-night_check{end}" for end in ("", "-2", "-3")]


def test_no_place_for_runs_is_an_error_with_the_way_out(tmp_path: Path) -> None:
    (tmp_path / "runs").write_text("a file", encoding="utf-8")
    with pytest.raises(RecordError) as caught:
        new_run_folder(tmp_path / "runs", "night_check", NIGHT)
    assert "no run folder can be made" in str(caught.value)
    assert "--out" in str(caught.value)
