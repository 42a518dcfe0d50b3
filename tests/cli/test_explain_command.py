"""``hilkit explain``: the budget of one reading, from the record alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.calls import call
from tests.record.samples import night, stored
from tests.record.sure import sure_night


def test_a_reading_is_explained_from_its_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stored(tmp_path, sure_night())
    done = call(
        capsys,
        "explain",
        tmp_path,
        "tone_placement.tone_level.corrected",
        "--at",
        "channel=1,carrier=2350 MHz",
    )
    assert done.code == 0
    assert "tone_placement.tone_level.corrected (channel=1, carrier=2350 MHz)" in done.out
    assert "what would halve it" in done.out


def test_a_name_that_fits_several_lists_them_with_their_numbers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stored(tmp_path, sure_night())
    done = call(capsys, "explain", tmp_path, "tone_level.corrected")
    assert done.code == 2
    assert "can be any of 2 readings" in done.out
    assert "  3  tone_placement.tone_level.corrected (channel=1, carrier=1842.5 MHz) = 10.000 dBm" in done.out
    assert call(capsys, "explain", tmp_path, "7").code == 0


def test_a_misspelt_name_is_answered_with_the_one_that_was_meant(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stored(tmp_path, sure_night())
    done = call(capsys, "explain", tmp_path, "imagelevel")
    assert done.code == 2
    assert "did you mean image_level" in done.err


def test_a_reading_without_a_budget_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stored(tmp_path, night())
    done = call(capsys, "explain", tmp_path, "image")
    assert done.code == 0
    assert "no uncertainty budget was recorded for this reading" in done.out


@pytest.mark.parametrize("text", ["channel", "=1", "channel="])
def test_a_place_is_a_name_and_a_value(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str) -> None:
    stored(tmp_path, night())
    done = call(capsys, "explain", tmp_path, "image", "--at", text)
    assert done.code == 2
    assert "write --at channel=1" in done.err
