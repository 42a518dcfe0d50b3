"""Touchstone networks and cascades against scikit-rf: the bench's path and the simulator's own two-ports.

The networks are those of scikit-rf's package data (BSD-3-Clause). Figures printed here were read from those
files; which of the networks are measured, simulated or ideal does not matter to these checks.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import skrf
from pydantic import TypeAdapter

from hilkit.sim.path import Branch, cascade, transfer
from hilkit.sim.profile import Element
from hilkit.sim.touchstone import read_network
from tests.external.benches import NETWORKS, path_of

ELEMENTS: TypeAdapter[list[Element]] = TypeAdapter(list[Element])
TWO_PORTS = ("ntwk1.s2p", "ind.s2p", "ring slot.s2p", "line.s2p", "open.s2p")

# scikit-rf package data: file, frequency in Hz, |S21| in dB.
PRINTED = [
    ("ring slot.s2p", 75e9, -2.91700),
    ("ring slot.s2p", 92.5e9, -1.13915),
    ("ntwk1.s2p", 1e9, -0.51690),
    ("ntwk1.s2p", 5.5e9, -2.65204),
    ("ntwk1.s2p", 10e9, -5.65460),
    ("ind.s2p", 1e9, -0.35308),
    ("ind.s2p", 6e9, -0.78153),
    ("ind.s2p", 10e9, -1.53814),
    ("open.s2p", 1e9, -44.0375),
    ("open.s2p", 10e9, -24.1491),
]


def network(name: str) -> skrf.Network:
    return skrf.Network(str(NETWORKS / name))


def element(name: str, **more: object) -> dict[str, object]:
    return {"kind": "touchstone", "file": name, **more}


@pytest.mark.parametrize(("name", "frequency_hz", "s21_db"), PRINTED)
def test_the_bench_reads_what_stands_in_the_file(
    tmp_path: Path, name: str, frequency_hz: float, s21_db: float
) -> None:
    assert path_of(tmp_path, element(name)).loss_db(frequency_hz) == pytest.approx(-s21_db, abs=6e-5)


@pytest.mark.parametrize("name", [name for name in TWO_PORTS if name != "line.s2p"])
def test_the_bench_reads_every_point_of_a_network_as_scikit_rf_does(tmp_path: Path, name: str) -> None:
    theirs = network(name)
    assert path_of(tmp_path, element(name)).losses_db(theirs.f) == pytest.approx(
        -theirs.s_db[:, 1, 0], abs=1e-9
    )
    backwards = path_of(tmp_path, element(name, ports=[1, 2]))
    assert backwards.losses_db(theirs.f) == pytest.approx(-theirs.s_db[:, 0, 1], abs=1e-9)


def test_one_way_of_a_three_port_is_read_by_its_indices(tmp_path: Path) -> None:
    # tee.s3p of scikit-rf's package data: an ideal junction, S21 = 2/3.
    path = path_of(tmp_path, element("tee.s3p", ports=[2, 1]))
    assert path.loss_db(400e9) == pytest.approx(3.5218, abs=1e-4)
    three_one = path_of(tmp_path, element("tee.s3p", ports=[3, 1]))
    assert three_one.losses_db(network("tee.s3p").f) == pytest.approx(
        -network("tee.s3p").s_db[:, 2, 0], abs=1e-9
    )


@pytest.mark.parametrize("name", ["ntwk1.s2p", "ring slot.s2p"])
def test_between_two_points_the_bench_follows_scikit_rf(tmp_path: Path, name: str) -> None:
    theirs = network(name)
    middle = (theirs.f[:-1] + theirs.f[1:]) / 2
    between = theirs.interpolate(skrf.Frequency.from_f(middle, unit="hz"), kind="linear", coords="polar")
    # Magnitude against decibels in between: a difference of the second order in the step.
    assert path_of(tmp_path, element(name)).losses_db(middle) == pytest.approx(
        -between.s_db[:, 1, 0], abs=5e-3
    )


def test_attenuators_in_a_row_add_as_in_scikit_rf(tmp_path: Path) -> None:
    media = skrf.media.DefinedGammaZ0(frequency=skrf.Frequency(1, 3, 21, unit="ghz"), z0_port=50)
    whole = media.attenuator(-10) ** media.attenuator(-20)
    path = path_of(tmp_path, {"kind": "pad", "loss": "10 dB"}, {"kind": "pad", "loss": "20 dB"})
    whole_db = 20 * np.log10(np.abs(whole.s[:, 1, 0]))
    assert whole_db == pytest.approx([-30.0] * 21, abs=1e-9)
    assert path.losses_db(whole.f) == pytest.approx(-whole_db, abs=1e-9)


# Cascade, sum in dB and what mismatch makes of it: S21 = S21a S21b/(1 - S22a S11b), any text on scattering
# parameters (common practice); the cascade itself by scikit-rf.
@pytest.mark.parametrize(
    ("name", "frequency_hz", "cascade_db", "sum_db"),
    [
        ("ntwk1.s2p", 5.5e9, -5.49035, -5.30409),
        ("ind.s2p", 1e9, -0.712692, -0.706157),
        ("ind.s2p", 10e9, -3.49139, -3.07628),
    ],
)
def test_the_path_of_a_bench_is_scikit_rf_s_cascade_but_for_the_mismatch(
    tmp_path: Path, name: str, frequency_hz: float, cascade_db: float, sum_db: float
) -> None:
    theirs = network(name)
    at = int(np.argmin(np.abs(theirs.f - frequency_hz)))
    loop = 1 - theirs.s[at, 1, 1] * theirs.s[at, 0, 0]
    whole_db = (theirs**theirs).s_db[at, 1, 0]
    path = path_of(tmp_path, element(name), element(name))
    assert whole_db == pytest.approx(cascade_db, abs=6e-6)
    assert path.loss_db(frequency_hz) == pytest.approx(-sum_db, abs=6e-6)
    assert -path.loss_db(frequency_hz) - 20 * np.log10(abs(loop)) == pytest.approx(whole_db, abs=1e-9)


def test_a_path_of_three_networks_misses_only_the_waves_between_them(tmp_path: Path) -> None:
    # The sum in dB leaves out (1 - S22a S11b)(1 - S22b S11c) - S22a S12b S21b S11c (Mason's rule).
    names = ("ntwk1.s2p", "ind.s2p", "ntwk1.s2p")
    a, b, c = (network(name)["2-9ghz"].interpolate(skrf.Frequency(2, 9, 8, unit="ghz")) for name in names)
    waves = (1 - a.s[:, 1, 1] * b.s[:, 0, 0]) * (1 - b.s[:, 1, 1] * c.s[:, 0, 0])
    waves -= a.s[:, 1, 1] * b.s[:, 0, 1] * b.s[:, 1, 0] * c.s[:, 0, 0]
    summed = path_of(tmp_path, *map(element, names)).losses_db(a.f)
    whole_db = (a**b**c).s_db[:, 1, 0]
    assert -summed - 20 * np.log10(np.abs(waves)) == pytest.approx(whole_db, abs=1e-6)
    assert np.max(np.abs(whole_db + summed)) > 0.5


@pytest.mark.parametrize("name", TWO_PORTS)
def test_the_simulator_reads_a_network_as_scikit_rf_does(name: str) -> None:
    ours, theirs = read_network(NETWORKS / name), network(name)
    assert ours.frequency_hz == pytest.approx(theirs.f, rel=1e-12)
    assert np.allclose(ours.s, theirs.s, rtol=0, atol=1e-12)


@pytest.mark.parametrize("form", ["ri", "ma", "db"])
def test_a_network_that_scikit_rf_writes_keeps_its_direction(tmp_path: Path, form: str) -> None:
    # One that is not the same in both directions: the order of the columns in a two-port file shows.
    one_way = np.array([[0.1 + 0.2j, 0.01 - 0.02j], [0.7 - 0.5j, -0.3 + 0.1j]])
    made = skrf.Network(frequency=skrf.Frequency(1, 3, 3, unit="ghz"), s=np.tile(one_way, (3, 1, 1)))
    file = tmp_path / "made" / "one_way.s2p"
    file.parent.mkdir()
    made.write_touchstone("one_way", dir=str(file.parent), form=form)
    assert np.allclose(read_network(file).s, made.s, rtol=0, atol=1e-9)
    forward = path_of(tmp_path, element(str(file)))
    assert forward.loss_db(2e9) == pytest.approx(-20 * np.log10(abs(0.7 - 0.5j)), abs=1e-9)
    backward = path_of(tmp_path, element(str(file), ports=[1, 2]))
    assert backward.loss_db(2e9) == pytest.approx(-20 * np.log10(abs(0.01 - 0.02j)), abs=1e-9)


@pytest.mark.parametrize(
    "names",
    [
        ("ntwk1.s2p", "ntwk1.s2p"),
        ("ind.s2p", "ind.s2p", "open.s2p"),
        ("ring slot.s2p", "ring slot.s2p", "ring slot.s2p"),
    ],
)
def test_the_simulator_s_cascade_is_scikit_rf_s(names: tuple[str, ...]) -> None:
    theirs = [network(name) for name in names]
    branch = Branch(ELEMENTS.validate_python([element(name) for name in names]), NETWORKS)
    ours = branch.network(theirs[0].f, pad_loss_db={}, closed={})
    whole = theirs[0]
    for other in theirs[1:]:
        whole = whole**other
    assert np.allclose(ours, whole.s, rtol=0, atol=1e-9)


def test_the_simulator_s_cascade_keeps_its_order() -> None:
    one, other = network("ntwk1.s2p"), network("ntwk1.s2p").flipped()
    assert np.allclose(cascade(one.s, other.s), (one**other).s, rtol=0, atol=1e-9)
    assert not np.allclose(cascade(other.s, one.s), (one**other).s, rtol=0, atol=1e-3)


def test_source_and_load_reflections_are_those_of_a_terminated_cascade() -> None:
    middle = network("ntwk1.s2p")
    source, load = 0.2 * np.exp(0.4j), 0.3 * np.exp(-2.1j)
    # A two-port that passes everything and reflects at one face alone stands for the mismatched end.
    ends = [np.array([[0, 1], [1, source]]), np.array([[load, 1], [1, 0]])]
    ahead, behind = (
        skrf.Network(frequency=middle.frequency, s=np.tile(end, (len(middle.f), 1, 1))) for end in ends
    )
    whole = ahead**middle**behind
    assert np.allclose(transfer(middle.s, source, load), whole.s[:, 1, 0], rtol=0, atol=1e-9)
