"""The measured network of the shipped bench is the published one, on both sides of the simulated bench.

Source: package permittivitycalc 0.6.0 (PyPI, MIT licence), file permittivitycalc/data/rexolite_PAL.txt, a
two-port measurement of a coaxial airline filled with a polymer sample; frequency in Hz, then magnitude and
phase in degrees of S11, S21, S12 and S22, the columns of uncertainties left out.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest
import skrf

from hilkit.bench.calibration import PathCalibration
from hilkit.files import library, load
from hilkit.sim.touchstone import read_network
from tests.external.benches import path_of

FOLDER = library() / "sim_profiles"
FILE = FOLDER / "measured_line.s2p"

POINTS = """
1501913666.667 0.388642247 -158.071021228 0.917668811 -67.387329776
  0.917844889 -67.388931642 0.388705902 -157.846075594
1841901666.667 0.154026245 112.634221505 0.984858904 -159.719054445
  0.985037962 -159.726610886 0.154074254 107.973395575
2139391166.667 0.383192243 -158.887198117 0.919058406 112.183485359
  0.919265045 112.179004548 0.383209710 -157.769289493
2351883666.667 0.351641049 146.770422357 0.931929272 56.538284060
  0.932165334 56.533426340 0.351498812 146.325504441
2536043833.333 0.023376123 112.615756458 0.994628562 2.119501866
  0.994857655 2.111633369 0.021881885 81.728291146
2989361166.667 0.354937622 146.380497117 0.928203996 -123.955348999
  0.928457891 -123.967250996 0.354720437 147.542412005
"""
PUBLISHED = np.array(POINTS.split(), dtype=float).reshape(-1, 9)
NAMES = ((0, 0), (1, 0), (0, 1), (1, 1))


def published(row: np.ndarray) -> dict[tuple[int, int], complex]:
    polar = row[1:].reshape(4, 2)
    return {
        name: size * np.exp(1j * np.radians(angle)) for name, (size, angle) in zip(NAMES, polar, strict=True)
    }


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: f"{row[0] / 1e6:.0f} MHz")
def test_the_file_holds_the_published_points(row: np.ndarray) -> None:
    numbers = [
        [float(word) for word in line.split()]
        for line in FILE.read_text(encoding="utf-8").splitlines()
        if line and line[0] not in "!#"
    ]
    assert row.tolist() in numbers


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: f"{row[0] / 1e6:.0f} MHz")
def test_scikit_rf_and_the_simulator_read_the_published_points(row: np.ndarray) -> None:
    theirs, ours = skrf.Network(str(FILE)), read_network(FILE)
    at = int(np.argmin(np.abs(theirs.f - row[0])))
    assert ours.frequency_hz[at] == pytest.approx(row[0], abs=1e-3)
    for (i, j), value in published(row).items():
        assert abs(theirs.s[at, i, j] - value) < 1e-9
        assert abs(ours.s[at, i, j] - value) < 1e-9


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: f"{row[0] / 1e6:.0f} MHz")
def test_a_bench_with_this_line_in_its_path_loses_what_was_published(tmp_path: Path, row: np.ndarray) -> None:
    path = path_of(tmp_path, {"kind": "touchstone", "file": str(FILE)})
    assert path.loss_db(row[0]) == pytest.approx(-20 * np.log10(abs(published(row)[1, 0])), abs=1e-6)


@pytest.mark.parametrize("name", ["simulated_pier.yaml", "simulated_pier.bench.yaml"])
def test_the_line_is_in_every_path_of_the_shipped_bench(name: str) -> None:
    for path in load(FOLDER / name).data["paths"].values():
        elements = path["elements"] if isinstance(path, dict) else path
        assert FILE.name in [element.get("file") for element in elements]


@pytest.mark.parametrize("every", [2, 3, 4, 6])
def test_between_the_points_of_a_wider_grid_the_published_loss_is_within_the_doubt(
    every: int,
) -> None:
    """The published S21, a calibration of every second to sixth point, and what lies between them."""
    network = skrf.Network(str(FILE))
    hz, loss_db = network.f, -20 * np.log10(np.abs(network.s[:, 1, 0]))
    kept = np.arange(0, len(hz), every)
    zero = np.zeros(len(kept))
    found = PathCalibration(
        path="line",
        date=dt.date(2018, 1, 1),
        sensor="power_meter",
        pad_db=0.0,
        frequency_hz=hz[kept],
        loss_db=loss_db[kept],
        common_db=zero,
        local_db=zero,
        file="published",
    )
    between = [i for i in range(kept[-1]) if i not in kept]
    errors = [abs(float(found.at(hz[i], 0.0)) - loss_db[i]) for i in between]
    doubts = [found.interpolation_db(float(hz[i])) for i in between]
    assert all(error <= doubt for error, doubt in zip(errors, doubts, strict=True))
    assert max(errors) > 0.001
