"""Two-ports in a row: against scikit-rf, against energy and reciprocity, and against published mismatch
limits.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from pydantic import TypeAdapter

from hilkit.errors import FileProblems
from hilkit.files import library
from hilkit.sim.path import Branch, cascade, reflection, transfer, two_port
from hilkit.sim.profile import Element
from hilkit.sim.touchstone import read_network

MEASURED = Path(str(library())) / "sim_profiles" / "measured_line.s2p"
AXIS = np.linspace(1.6e9, 2.9e9, 41)
ELEMENTS: TypeAdapter[list[Element]] = TypeAdapter(list[Element])


def branch(*elements: dict[str, object]) -> Branch:
    return Branch(ELEMENTS.validate_python(list(elements)), MEASURED.parent)


def network(*elements: dict[str, object], closed: tuple[int, ...] = (), pad_db: float = 0.0) -> np.ndarray:
    return branch(*elements).network(
        AXIS, pad_loss_db={"pad": np.full(len(AXIS), pad_db)}, closed={"relay": frozenset(closed)}
    )


FULL = (
    {
        "kind": "coupler",
        "loss": {"1.7 GHz": "20 dB", "2.5 GHz": "19.8 dB"},
        "match": "24 dB",
        "delay": "0.2 ns",
    },
    {
        "kind": "relay",
        "relay": "relay",
        "close": 101,
        "loss": "0.3 dB",
        "isolation": "70 dB",
        "match": "26 dB",
    },
    {"kind": "touchstone", "file": "measured_line.s2p"},
    {"kind": "step_attenuator", "pad": "pad", "loss": "1.7 dB", "match": "22 dB", "match_phase": "130 deg"},
    {"kind": "cable", "conductor": "0.6 dB", "dielectric": "0.1 dB", "match": "25 dB", "delay": "7 ns"},
)


def test_a_touchstone_file_is_read_as_scikit_rf_reads_it() -> None:
    import skrf

    theirs = skrf.Network(str(MEASURED))
    ours = read_network(MEASURED)
    assert np.allclose(ours.frequency_hz, theirs.f)
    assert np.allclose(ours.s, theirs.s, atol=1e-12)


@pytest.mark.parametrize(
    ("form", "values"),
    [
        ("RI", "0.1 0.2 0.6 -0.5 0.6 -0.5 0.05 0"),
        ("DB", "-20 30 -3 -40 -3 -40 -26 90"),
        ("MA", "0.1 30 0.7 -40 0.7 -40 0.05 90"),
    ],
)
def test_every_form_of_number_is_read_as_scikit_rf_reads_it(tmp_path: Path, form: str, values: str) -> None:
    import skrf

    file = tmp_path / "two.s2p"
    file.write_text(f"! made up\n# GHZ S {form} R 50\n1.0 {values} ! note\n2.0 {values}\n", encoding="utf-8")
    assert np.allclose(read_network(file).s, skrf.Network(str(file)).s)
    assert np.allclose(read_network(file).frequency_hz, [1e9, 2e9])


@pytest.mark.parametrize(
    "text",
    [
        "",
        "# GHZ Z MA R 50\n1 1 2 3 4 5 6 7 8\n",
        "# GHZ S MA R 50\n1 2 three\n",
        "# GHZ S MA R 75\n1 1 2 3 4 5 6 7 8\n",
    ],
)
def test_a_file_that_is_no_such_network_is_refused_by_name(tmp_path: Path, text: str) -> None:
    file = tmp_path / "odd.s2p"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems, match=r"odd\.s2p"):
        read_network(file)


def test_the_measured_line_keeps_its_points_and_its_source() -> None:
    text = MEASURED.read_text(encoding="utf-8")
    assert "permittivitycalc 0.6.0" in text
    assert "MIT" in text
    ours = read_network(MEASURED)
    assert (len(ours.frequency_hz), ours.frequency_hz[0]) == (106, pytest.approx(1501913666.667))
    assert abs(ours.s[0, 1, 0]) == pytest.approx(0.917668811)


def test_a_cascade_is_that_of_scikit_rf() -> None:
    import skrf

    one, other = network(*FULL[:3], closed=(101,)), network(*FULL[3:])
    frequency = skrf.Frequency.from_f(AXIS, unit="hz")
    theirs = skrf.Network(frequency=frequency, s=one) ** skrf.Network(frequency=frequency, s=other)
    assert np.allclose(cascade(one, other), theirs.s, atol=1e-13)


def test_a_path_is_reciprocal_but_for_the_measured_noise_and_makes_no_energy() -> None:
    synthetic = network(*FULL[:2], *FULL[3:], closed=(101,))
    assert np.allclose(synthetic[:, 0, 1], synthetic[:, 1, 0], atol=1e-15)
    assert np.linalg.norm(synthetic, ord=2, axis=(1, 2)).max() <= 1 + 1e-12


@pytest.mark.parametrize("loss_db", [0.0, 0.01, 3.0, 60.0])
def test_a_mismatched_element_passes_no_more_than_its_reflection_leaves(loss_db: float) -> None:
    s = two_port(np.full(1, 10 ** (-loss_db / 20) * np.exp(0.7j)), reflection(10.0, 33.0))
    assert np.linalg.norm(s[0], ord=2) <= 1 + 1e-12


def test_matched_elements_add_their_losses() -> None:
    s = network(
        {"kind": "pad", "loss": "20 dB", "match": "200 dB"},
        {"kind": "table", "loss": {"1 GHz": "1 dB", "3 GHz": "2 dB"}, "match": "200 dB"},
        {"kind": "step_attenuator", "pad": "pad", "loss": "1.5 dB", "match": "200 dB"},
        pad_db=12.25,
    )
    loss = -20 * np.log10(np.abs(transfer(s, 0j, 0j)))
    assert loss == pytest.approx(20 + 1 + (AXIS - 1e9) / 2e9 + 1.5 + 12.25, abs=1e-9)


def test_conductor_loss_grows_with_the_root_of_frequency() -> None:
    # A = k1 sqrt f + k2 f with k1 0.122290 and k2 0.000260 (f in MHz, dB per 100 ft): data sheet of a
    # 400-class foam
    # cable, from memory; 3.903 dB at 900 MHz and 6.765 dB at 2500 MHz.
    cable = branch(
        {
            "kind": "cable",
            "conductor": f"{0.122290 * math.sqrt(1000)} dB",
            "dielectric": "0.26 dB",
            "match": "200 dB",
        }
    )
    s = cable.network(np.array([900e6, 2500e6]), pad_loss_db={}, closed={})
    assert -20 * np.log10(np.abs(s[:, 1, 0])) == pytest.approx([3.903, 6.765], abs=0.001)


def test_two_mismatches_ripple_within_the_published_limits_and_reach_them() -> None:
    # VSWR 1.2 and 1.4: +-0.13 dB, Application Note 150; exactly +0.1306 and -0.1326 dB.
    def size(vswr: float) -> float:
        return (vswr - 1) / (vswr + 1)

    line = two_port(np.exp(-1j * np.linspace(0, 2 * np.pi, 721)), 0j)
    ripple = 20 * np.log10(np.abs(transfer(line, complex(size(1.2)), complex(size(1.4)))))
    assert ripple.max() == pytest.approx(0.1326, abs=1e-4)
    assert ripple.min() == pytest.approx(-0.1306, abs=1e-4)


def test_a_mismatched_source_and_load_are_as_two_ports_of_that_reflection() -> None:
    import skrf

    source, load = 0.1 * np.exp(0.4j), 0.05 * np.exp(2.1j)
    middle = network(*FULL, closed=(101,))
    frequency = skrf.Frequency.from_f(AXIS, unit="hz")
    ends = [np.array([[0, 1], [1, source]]), np.array([[load, 1], [1, 0]])]
    ahead, behind = (skrf.Network(frequency=frequency, s=np.tile(end, (len(AXIS), 1, 1))) for end in ends)
    whole = ahead ** skrf.Network(frequency=frequency, s=middle) ** behind
    assert np.allclose(transfer(middle, source, load), whole.s[:, 1, 0], atol=1e-13)


def test_an_open_relay_lets_its_isolation_through() -> None:
    closed, open_ = (network(*FULL[:2], closed=c) for c in ((101,), ()))
    assert -20 * np.log10(np.abs(open_[:, 1, 0])) == pytest.approx(np.full(41, 90.0), abs=0.5)
    assert -20 * np.log10(np.abs(closed[:, 1, 0])) == pytest.approx(np.full(41, 20.3), abs=0.5)


def test_two_closed_channels_share_the_power() -> None:
    one, two = (abs(network(*FULL[:2], closed=c)[0, 1, 0]) for c in ((101,), (101, 102)))
    assert 20 * math.log10(one / two) == pytest.approx(3.52, abs=0.01)


def test_a_network_can_be_turned_round() -> None:
    there, back = (
        network({"kind": "touchstone", "file": "measured_line.s2p", "ports": p}) for p in ((1, 2), (2, 1))
    )
    assert np.allclose(there[:, 0, 0], back[:, 1, 1])
    assert np.allclose(there[:, 1, 0], back[:, 0, 1])
