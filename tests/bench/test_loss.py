"""Loss over frequency against published tables and scikit-rf."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import skrf

from hilkit.bench.loss import ConstantLoss, SquareRootLoss, TableLoss, touchstone_loss, touchstone_ports

DATA = Path(skrf.__file__).parent / "data"

# Attenuation of a 400-class foam coaxial cable in dB per 100 ft over MHz, as its data sheet tabulates it:
# from memory.
COAX = {30: 0.678, 150: 1.537, 450: 2.711, 900: 3.903, 1800: 5.656, 2500: 6.765, 5800: 10.821}


def coax(*megahertz: int, square_root: bool) -> TableLoss:
    return TableLoss.of({f * 1e6: COAX[f] for f in megahertz}, square_root=square_root)


@pytest.mark.parametrize(("low", "between", "high"), [(150, 450, 900), (450, 900, 1800), (900, 1800, 2500)])
def test_a_cable_is_closer_to_its_data_sheet_over_the_root_of_frequency(
    low: int, between: int, high: int
) -> None:
    at = np.array(between * 1e6)
    root = coax(low, high, square_root=True).at(at) - COAX[between]
    straight = coax(low, high, square_root=False).at(at) - COAX[between]
    assert abs(root) < 0.03
    assert abs(straight) > 4 * abs(root)


@pytest.mark.parametrize(("megahertz", "scaled"), [(30, 0.713), (2500, 6.505), (5800, 9.907)])
def test_one_point_scales_with_the_root_of_frequency(megahertz: int, scaled: float) -> None:
    """Conductor loss grows with sqrt(f), the skin effect: common practice, no source."""
    law = SquareRootLoss(900e6, 3.903, low_hz=30e6, high_hz=6e9)
    assert law.at(np.array(megahertz * 1e6)) == pytest.approx(scaled, abs=0.002)
    assert abs(law.at(np.array(megahertz * 1e6)) - COAX[megahertz]) < 0.1 * COAX[megahertz]


def test_a_table_gives_its_own_points_and_the_middle_of_its_lines() -> None:
    table = TableLoss.of({3e9: 1.1, 1e9: 0.6})
    assert table.at(np.array([1e9, 2e9, 3e9])) == pytest.approx([0.6, 0.85, 1.1])
    assert table.coverage_hz == (1e9, 3e9)


def test_a_table_needs_two_frequencies_in_order() -> None:
    for frequencies in ([1e9], [2e9, 1e9], [1e9, 1e9]):
        with pytest.raises(ValueError, match="two frequencies"):
            TableLoss(frequencies, [1.0] * len(frequencies))


def test_the_least_loss_of_a_range_looks_at_the_grid_inside_it() -> None:
    table = TableLoss.of({1e9: 3.0, 2e9: 1.0, 3e9: 3.0})
    assert table.least(1.5e9, 2.5e9) == pytest.approx(1.0)
    assert table.least(1.2e9, 1.4e9) == pytest.approx(2.2)
    assert ConstantLoss(20.0).least(1e9, 2e9) == 20.0


def test_a_constant_holds_at_every_frequency() -> None:
    assert ConstantLoss(20.0).coverage_hz == (0.0, math.inf)


@pytest.mark.parametrize("name", ["ntwk1.s2p", "ind.s2p", "ring slot.s2p"])
def test_a_touchstone_file_gives_what_scikit_rf_reads(name: str) -> None:
    network = skrf.Network(str(DATA / name))
    loss = touchstone_loss(DATA / name, to_port=2, from_port=1)
    assert loss.at(network.f) == pytest.approx(-network.s_db[:, 1, 0], abs=1e-12)
    backward = touchstone_loss(DATA / name, to_port=1, from_port=2)
    assert backward.at(network.f) == pytest.approx(-network.s_db[:, 0, 1], abs=1e-12)


def test_between_grid_points_a_touchstone_file_follows_scikit_rf() -> None:
    """scikit-rf interpolates S itself; on a smooth network the two agree within thousandths of a dB."""
    network = skrf.Network(str(DATA / "ring slot.s2p"))
    middle = (network.f[:-1] + network.f[1:]) / 2
    theirs = network.interpolate(skrf.Frequency.from_f(middle, unit="Hz"), kind="linear", coords="polar")
    ours = touchstone_loss(DATA / "ring slot.s2p", to_port=2, from_port=1).at(middle)
    assert ours == pytest.approx(-theirs.s_db[:, 1, 0], abs=0.005)


def test_the_count_of_ports_is_that_of_the_network() -> None:
    assert touchstone_ports(DATA / "ntwk1.s2p") == 2
    assert touchstone_ports(DATA / "tee.s3p") == 3
    assert touchstone_ports(DATA / "ring slot measured.s1p") == 1


def test_a_network_that_passes_nothing_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "open.s2p"
    file.write_text("# GHz S MA R 50\n1 1 0 0 0 0 0 1 0\n2 1 0 0 0 0 0 1 0\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r"S\(2,1\) is zero"):
        touchstone_loss(file, to_port=2, from_port=1)


def test_the_first_port_is_where_the_signal_leaves(tmp_path: Path) -> None:
    """A two-port row is S11 S21 S12 S22 (Touchstone File Format Specification 1.1, from memory)."""
    file = tmp_path / "isolator.s2p"
    row = "-30 0 -0.5 0 -20 0 -30 0"
    file.write_text(f"# GHz S DB R 50\n1 {row}\n2 {row}\n", encoding="utf-8")
    at = np.array(1.5e9)
    assert touchstone_loss(file, to_port=2, from_port=1).at(at) == pytest.approx(0.5)
    assert touchstone_loss(file, to_port=1, from_port=2).at(at) == pytest.approx(20.0)
