"""Cable loss over frequency, from a bench file, against data of a coaxial cable."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from hilkit.bench import PathError
from tests.external.benches import path_of

# Attenuation of a 400-class foam coaxial cable, MHz and dB per 100 ft, as data sheets print it: from memory.
# It is k1 sqrt(f) + k2 f, conductor and dielectric loss (common practice), with these constants, f in MHz:
# from memory.
COAX = {30: 0.678, 150: 1.537, 450: 2.711, 900: 3.903, 1800: 5.656, 2500: 6.765, 5800: 10.821}
CONDUCTOR, DIELECTRIC = 0.122290, 0.000260

# Conductor loss alone, from the 900 MHz point: 3.903 sqrt(f/900), the skin effect (common practice, no
# source).
FROM_900_MHZ = {30: 0.713, 2500: 6.505, 5800: 9.907}


def cable(folder: Path, *megahertz: int, **more: object) -> object:
    loss = {f"{f} MHz": f"{COAX[f]} dB" for f in megahertz}
    return path_of(folder, {"kind": "cable", "loss": loss, "law": "sqrt_f", **more})


@pytest.mark.parametrize("megahertz", COAX)
def test_the_data_of_the_cable_are_those_of_its_two_constants(megahertz: int) -> None:
    loss_db = CONDUCTOR * math.sqrt(megahertz) + DIELECTRIC * megahertz
    assert loss_db == pytest.approx(COAX[megahertz], abs=6e-4)


@pytest.mark.parametrize("megahertz", FROM_900_MHZ)
def test_a_single_point_of_a_bench_file_scales_with_the_root_of_frequency(
    tmp_path: Path, megahertz: int
) -> None:
    path = cable(tmp_path, 900, valid={"from": "30 MHz", "to": "6 GHz"})
    # The printed 3.903 is rounded, which counts 2.5 times at 5.8 GHz.
    assert path.loss_db(megahertz * 1e6) == pytest.approx(FROM_900_MHZ[megahertz], abs=2e-3)
    # What the dielectric adds is all that is missing: 8.5 % of the loss in decibels at 5.8 GHz.
    missing_db = DIELECTRIC * (megahertz - 30 * math.sqrt(megahertz))
    assert COAX[megahertz] - path.loss_db(megahertz * 1e6) == pytest.approx(missing_db, abs=2e-3)


@pytest.mark.parametrize(("low", "between", "high"), [(150, 450, 900), (450, 900, 1800), (900, 1800, 2500)])
def test_between_two_points_the_root_of_frequency_hits_the_data_sheet(
    tmp_path: Path, low: int, between: int, high: int
) -> None:
    rooted = cable(tmp_path, low, high).loss_db(between * 1e6)
    straight = path_of(
        tmp_path,
        {"kind": "cable", "loss": {f"{f} MHz": f"{COAX[f]} dB" for f in (low, high)}},
    ).loss_db(between * 1e6)
    assert rooted == pytest.approx(COAX[between], abs=0.03)
    assert abs(straight - COAX[between]) > 4 * abs(rooted - COAX[between])


def test_a_table_of_the_whole_data_sheet_gives_its_points_and_nothing_beyond(tmp_path: Path) -> None:
    path = cable(tmp_path, *COAX)
    for megahertz, loss_db in COAX.items():
        assert path.loss_db(megahertz * 1e6) == pytest.approx(loss_db, abs=1e-9)
    with pytest.raises(PathError, match="no loss at 6 GHz"):
        path.loss_db(6e9)
