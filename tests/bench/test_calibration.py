"""A calibration that the bench file names replaces the loss of the elements, once it was checked."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hilkit.bench import PathError
from hilkit.bench.calibration import PathCalibration, calibration_text, checksum
from hilkit.bench.path_budget import path_lines
from hilkit.errors import FileProblems
from hilkit.files import loads
from tests.bench.calibrating import bench_with, calibrated, content

NAMED = ("calibrations: [tx1.yaml]", "calibration_policy: refuse")


def lines_at(bench: Any, frequency_hz: float, pad_db: float = 0.0) -> dict[str, float]:
    lines = path_lines(bench.path(1), frequency_hz, pad_db=pad_db, near="here")
    return {line.quantity: line.standard for line in lines}


def problems(folder: Path, text: str, *keys: str) -> list[str]:
    with pytest.raises(FileProblems) as caught:
        bench_with(folder, *(keys or NAMED), files={"tx1.yaml": text})
    return [problem.render() for problem in caught.value.problems]


# --- what it does


def test_the_loss_is_that_of_the_calibration_with_the_live_pad_added(tmp_path: Path) -> None:
    path = calibrated(tmp_path).path(1)
    assert path.loss_db(1842.5e6) == 27.0
    assert path.loss_db(1842.5e6, pad_db=20.0) == 47.0
    assert path.loss_to("analyser input", 1842.5e6) == 27.0


def test_a_calibration_made_with_the_pad_in_counts_from_that_setting(tmp_path: Path) -> None:
    path = calibrated(tmp_path, pad="10 dB").path(1)
    assert path.loss_db(1842.5e6, pad_db=10.0) == 27.0
    assert path.loss_db(1842.5e6, pad_db=4.0) == 21.0


def test_of_two_settings_of_the_pad_the_nearer_one_counts(tmp_path: Path) -> None:
    other = calibration_text(
        content(pad="20 dB", points=[{**p, "loss": "47.3 dB"} for p in content()["points"]])
    )
    bench = bench_with(
        tmp_path,
        "calibrations: [a.yaml, b.yaml]",
        "calibration_policy: refuse",
        files={"a.yaml": calibration_text(content()), "b.yaml": other},
    )
    assert bench.path(1).loss_db(1842.5e6, pad_db=20.0) == pytest.approx(47.3)
    assert bench.path(1).loss_db(1842.5e6, pad_db=9.0) == pytest.approx(36.0)


def test_the_other_path_keeps_its_elements(tmp_path: Path) -> None:
    plain = bench_with(tmp_path).path(2).loss_db(1842.5e6)
    assert calibrated(tmp_path).path(2).loss_db(1842.5e6) == plain


def test_outside_its_grid_it_refuses_or_leaves_it_to_the_elements(tmp_path: Path) -> None:
    plain = bench_with(tmp_path).path(1)
    few = [p for p in content()["points"] if p["frequency"] <= "1900 MHz"]
    with pytest.raises(PathError, match=r"not calibrated at 2.35 GHz: tx1.yaml goes from 1.7 GHz to 1.9 GHz"):
        calibrated(tmp_path, points=few).path(1).loss_db(2350e6)
    warned = calibrated(tmp_path, points=few, policy="warn").path(1)
    assert warned.loss_db(2350e6) == plain.loss_db(2350e6)
    assert warned.loss_db(1842.5e6) == 27.0
    assert calibrated(tmp_path, points=few).path(1).coverage_hz == (1.7e9, 1.9e9)


def test_a_level_prediction_takes_the_lower_of_elements_and_calibration(tmp_path: Path) -> None:
    """The calibration less twice its standard uncertainty, 20 dB against some 26 dB of the elements."""
    low = [{**p, "loss": "20 dB"} for p in content()["points"]]
    path = calibrated(tmp_path, points=low).path(1)
    assert path.min_loss_to("analyser input", 1842.5e6) == pytest.approx(20 - 2 * math.hypot(0.05, 0.03))
    plain = bench_with(tmp_path).path(1)
    high = calibrated(tmp_path, points=[{**p, "loss": "40 dB"} for p in content()["points"]]).path(1)
    assert high.min_loss_to("analyser input", 1842.5e6) == plain.min_loss_to("analyser input", 1842.5e6)


# --- how sure it is


def test_the_lines_of_the_elements_give_way_to_those_of_the_calibration(tmp_path: Path) -> None:
    found = lines_at(calibrated(tmp_path), 1850e6)
    assert (found["calibration"], found["calibration, this point"]) == (0.05, 0.03)
    assert not [name for name in found if name.startswith("loss of")]
    assert "contacts of element 3 (switch)" in found
    assert "mismatch radio - coupler 1" in found
    assert "mismatch coupler 1 - element 3 (switch)" not in found


def test_on_a_point_nothing_is_interpolated_and_between_points_the_doubt_grows(tmp_path: Path) -> None:
    bench = calibrated(tmp_path)
    doubts = [
        lines_at(bench, hz).get("between calibrated points", 0.0) for hz in (1850e6, 1855e6, 1865e6, 1875e6)
    ]
    assert doubts[0] == 0.0
    assert doubts == sorted(doubts)
    assert doubts[1] > 0.0


def test_a_pad_that_moved_since_brings_the_doubt_of_its_setting(tmp_path: Path) -> None:
    bench = calibrated(tmp_path)
    assert "setting of element 6 (step attenuator)" not in lines_at(bench, 1850e6)
    assert lines_at(bench, 1850e6, pad_db=10.0)["setting of element 6 (step attenuator)"] == pytest.approx(
        0.3 / math.sqrt(3)
    )


def test_what_was_not_known_at_the_calibration_is_still_missing(tmp_path: Path) -> None:
    bench = calibrated(tmp_path, missing=["no linearity for power_meter in the bench file"])
    lines = path_lines(bench.path(1), 1850e6, pad_db=0.0, near="here")
    assert [line.source for line in lines if not line.stated] == [
        "tx1.yaml: no linearity for power_meter in the bench file"
    ]


def curve(grid: Any, loss: Any) -> PathCalibration:
    zero = np.zeros(len(grid))
    return PathCalibration(
        path="tx1",
        date=dt.date(2026, 11, 20),
        sensor="power_meter",
        pad_db=0.0,
        frequency_hz=grid,
        loss_db=loss(grid),
        common_db=zero,
        local_db=zero,
        file="curve",
    )


def test_the_doubt_between_points_is_the_remainder_of_linear_interpolation() -> None:
    """For a parabola it is exact: |f''|/2 (x - x0)(x1 - x), the remainder of a polynomial of first degree
    (NIST Digital Library of Mathematical Functions, 3.3(i); from memory). A quarter is put on top."""
    found = curve(np.arange(1.0, 12.0), lambda x: 0.3 * x**2)
    for x in (2.0, 2.1, 2.5, 2.9, 6.25):
        error = float(found.at(np.array(x), 0.0)) - 0.3 * x**2
        assert found.interpolation_db(x) == pytest.approx(1.25 * error, abs=1e-9)


@pytest.mark.parametrize("length_m", [0.05, 0.3, 2.0, None])
def test_a_ripple_that_the_grid_does_not_show_is_bounded(length_m: float | None) -> None:
    """A cosine of 0.1 dB with period c/2L lies nowhere farther from the straight line; computed here."""
    period = 299_792_458.0 / (2 * (length_m or 5.0))
    grid = 1.8e9 + 20e6 * np.arange(20)

    def ripple(hz: Any) -> Any:
        return 0.1 * np.cos(2 * np.pi * hz / period)

    found = curve(grid, ripple)
    for hz in np.linspace(grid[3], grid[7], 97):
        error = abs(float(found.at(np.array(hz), 0.0)) - ripple(hz))
        assert error <= found.interpolation_db(float(hz), [(0.1, length_m)]) + 1e-9


# --- what is wrong with one


def test_a_file_edited_by_hand_is_refused_at_its_checksum(tmp_path: Path) -> None:
    text = calibration_text(content()).replace('loss: "27 dB"', 'loss: "26 dB"', 1)
    (found,) = problems(tmp_path, text)
    assert "tx1.yaml:" in found
    assert "checksum: sha256:" in found
    assert checksum(loads(text, "tx1.yaml").data) not in found, "nobody is handed the one that would fit"
    assert "the checksum does not fit the content: the file was changed after the calibration" in found


def test_comments_and_layout_may_change(tmp_path: Path) -> None:
    text = calibration_text(content()).replace("level: ", "# measured on a quiet morning\nlevel:   ")
    bench_with(tmp_path, *NAMED, files={"tx1.yaml": text})


def test_two_calibrations_for_one_path_and_state_are_refused_where_the_second_is_named(
    tmp_path: Path,
) -> None:
    text = calibration_text(content())
    with pytest.raises(FileProblems) as caught:
        bench_with(
            tmp_path,
            "calibrations: [tx1.yaml, later.yaml]",
            "calibration_policy: warn",
            files={"tx1.yaml": text, "later.yaml": text},
        )
    (problem,) = caught.value.problems
    assert problem.message == (
        "a second calibration of path tx1 with the pad at 0 dB: tx1.yaml is one already"
    )
    assert problem.line_text == "calibrations: [tx1.yaml, later.yaml]"
    assert problem.line_text[problem.column - 1 :].startswith("later.yaml")


def point(**changes: str) -> dict[str, Any]:
    points = content()["points"]
    return {"points": [*points[:3], {**points[3], **changes}, *points[4:]]}


@pytest.mark.parametrize(
    ("changes", "message", "marked"),
    [
        (point(loss="27 dBm"), "dBm", "27 dBm"),
        (point(loss="27 dBc"), "a loss is in dB", "27 dBc"),
        (point(frequency="27 dB"), "frequency", "27 dB"),
        (point(local="-0.1 dB"), "an uncertainty is not negative", "-0.1 dB"),
        (point(frequency="1700 MHz"), "the points are not in rising order", "1700 MHz"),
        ({"calibration": "tx3"}, "the bench has no path 'tx3'", "tx3"),
        ({"switches": {"relay": [102]}}, "path tx1 has its switches elsewhere in the bench file", "switches"),
        ({"pad": None}, "path tx1 has a step attenuator: its setting is needed", ""),
        ({"points": content()["points"][:2]}, "3", ""),
        (
            {"instruments": {"pad": {"model": "AT63", "serial": "AT-0001"}}},
            "path tx1 was calibrated with another pad in it than there is now",
            "AT-0001",
        ),
    ],
)
def test_what_does_not_fit_is_told_at_its_place(
    tmp_path: Path, changes: dict[str, Any], message: str, marked: str
) -> None:
    found = problems(tmp_path, calibration_text(content(**changes)))
    assert len(found) == 1
    assert message in found[0]
    assert marked in found[0].splitlines()[1]


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        (("calibrations: [tx1.yaml]",), "needs to be told what happens"),
        (("calibration_days: 90",), "an age limit without a policy does nothing"),
        (("calibrations: [gone.yaml]", "calibration_policy: warn"), "gone.yaml"),
        (("calibrations: [pier.bench.yaml]", "calibration_policy: warn"), "this is no calibration of a path"),
        (("calibrations: [../../tx1.yaml]", "calibration_policy: warn"), "leads out of the lab folder"),
        (("calibration_days: 0", "calibration_policy: warn"), "1"),
        (("calibration_policy: ignore",), "refuse"),
    ],
)
def test_keys_of_the_bench_that_make_no_sense_are_told(
    tmp_path: Path, keys: tuple[str, ...], message: str
) -> None:
    found = problems(tmp_path, calibration_text(content()), *keys)
    assert len(found) == 1
    assert message in found[0]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("  tx2 port: {text", "  tx7 port: {text", "there is no such plane"),
        ("{text: connector TX2 of the radio,", "{photo: gone.jpg,", "gone.jpg"),
        ("  power_meter sensor: 20 dBm", "  power_meter sensro: 20 dBm", "did you mean power_meter sensor?"),
        ("vswr: 1.35}", "vswr: 0.35}", "1"),
        ("{level: 0.5 dB, repeat", "{linearity: 0.5 dB, repeat", "does not go with a signal generator"),
    ],
)
def test_planes_and_sensors_that_are_not_there_are_told(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    with pytest.raises(FileProblems) as caught:
        bench_with(tmp_path, changes=[(old, new)])
    assert len(caught.value.problems) == 1
    assert message in str(caught.value)
