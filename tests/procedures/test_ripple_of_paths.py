"""The ripple of mismatch that is left in a reading in dBc is as large as its budget says.

No source outside but the theory of two-ports: the truth is the cascade of S-parameters of the simulated path,
all reflections between all elements summed, which shares no formula with the budget. Reflections are drawn
inside what the bench file states; the line in the path is the measured one, with its phases.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from hilkit.bench import Bench
from hilkit.bench.path_budget import interfaces, path_lines
from hilkit.bench.reflection import PortReflection
from hilkit.judgement.correlation import LIGHT_M_S, difference
from hilkit.readings import Budget
from hilkit.sim.path import Branch, reflection, transfer
from hilkit.sim.profile import ProfileFile
from hilkit.sim.touchstone import read_network
from tests.procedures.drawn import CARRIER_HZ, drawn_profile
from tests.procedures.rig import SHIPPED, load_pier

DRAWS = 300
OFFSET_HZ = 7.5e6


@pytest.fixture(scope="module")
def bench(tmp_path_factory) -> Bench:
    return load_pier(tmp_path_factory.mktemp("pier"))


@pytest.fixture(scope="module")
def truly_db(bench) -> dict[int, np.ndarray]:
    """Gain of the drawn paths at each line, less that at the tone."""
    rng, multiples = np.random.default_rng(20261125), (1, 0, -1, -3)
    frequency_hz = CARRIER_HZ + OFFSET_HZ * np.array(multiples)
    found = []
    for _ in range(DRAWS):
        file = ProfileFile.model_validate(drawn_profile(rng, bench))
        network = Branch(file.paths["tx1"].elements, SHIPPED).network(
            frequency_hz,
            pad_loss_db={"pad": np.zeros(len(multiples))},
            closed={"relay": frozenset({101})},
        )
        ends = (file.radio.channels["1"], file.analysers["analyser"])
        source, load = (reflection(end.match.db, end.match_phase.deg) for end in ends)
        found.append(20 * np.log10(np.abs(transfer(network, source, load))))
    gain_db = np.array(found)
    return {multiple: gain_db[:, i] - gain_db[:, 0] for i, multiple in enumerate(multiples)}


def ripple_left_db(bench: Bench, multiple: int) -> float:
    """Standard uncertainty of mismatch in the ratio of a line to the tone."""
    one, other = (
        Budget(
            unit="dBm",
            lines=tuple(
                line
                for line in path_lines(
                    bench.path(1), CARRIER_HZ + at * OFFSET_HZ, pad_db=0.0, near="here", near_hz=CARRIER_HZ
                )
                if line.quantity.startswith("mismatch")
            ),
        )
        for at in (multiple, 1)
    )
    left = difference(one, other, "dBc")
    assert not left.correlations
    return math.sqrt(sum(line.contribution**2 for line in left.lines))


@pytest.mark.parametrize("multiple", [0, -1, -3])
def test_what_is_left_of_the_ripple_between_two_lines_is_as_large_as_stated(bench, truly_db, multiple):
    # The spread of 300 draws is known to 4 %; what is left over is the ripple of the small pairs together.
    assert ripple_left_db(bench, multiple) == pytest.approx(float(np.std(truly_db[multiple])), rel=0.15)


def test_ripples_across_an_unknown_length_count_as_independent(bench, truly_db, tmp_path):
    text = (SHIPPED / "simulated_pier.bench.yaml").read_text(encoding="utf-8")
    assert "length: 1.05 m, velocity: 70 %" in text
    unknown = load_pier(tmp_path, (", length: 1.05 m, velocity: 70 %", ""))
    assert ripple_left_db(unknown, 0) > 2 * float(np.std(truly_db[0]))


@pytest.mark.parametrize("port", [1, 2])
@pytest.mark.parametrize("near_hz", [1842.5e6, 2350e6])
def test_a_measured_reflection_lies_as_far_inside_as_its_phase_turns(port, near_hz, bench):
    """Against the simulator's own reader of the file: a straight line through the phases around."""
    network = read_network(SHIPPED / "measured_line.s2p")
    around = np.abs(network.frequency_hz - near_hz) < 40e6
    phase = np.unwrap(np.angle(network.s[around, port - 1, port - 1]))
    turn = np.polyfit(network.frequency_hz[around], phase, 1)[0]
    line = next(element for element in bench.path(1).elements if element.label == "measured line")
    mine = (line.reflection_in, line.reflection_out)[port - 1]
    assert mine.length_m(near_hz) == pytest.approx(-turn * LIGHT_M_S / (4 * math.pi), rel=0.05)


def test_the_turn_of_a_phase_is_that_of_a_line_with_a_reflecting_end():
    length_m, frequency_hz = 0.7, np.linspace(1e9, 2e9, 201)
    phase = 1.2 - 4 * np.pi * frequency_hz * length_m / LIGHT_M_S
    port = PortReflection(
        frequency_hz=frequency_hz, magnitude=np.full(201, 0.1), known=True, source="", phase_rad=phase
    )
    for near_hz in (1.5e9, 1e9, 0.5e9, 3e9):
        assert port.length_m(near_hz) == pytest.approx(length_m)
    one = PortReflection(frequency_hz=np.ones(1), magnitude=np.ones(1) / 9, known=True, source="")
    assert one.length_m(1e9) is None


def test_both_readings_of_a_ratio_take_the_length_at_the_same_place(bench):
    pairs = [
        {
            (pair.before, pair.behind): pair.length_m
            for pair in interfaces(bench.path(1), CARRIER_HZ + at * OFFSET_HZ, near_hz=CARRIER_HZ)
        }
        for at in (1, -3)
    ]
    assert pairs[0] == pairs[1]
    line = next(element for element in bench.path(1).elements if element.label == "measured line")
    behind_m = (0.09 + 1.05) / 0.7  # step attenuator and cable
    inside_m = line.reflection_out.length_m(CARRIER_HZ)
    assert pairs[0]["measured line", "analyser"] == pytest.approx(inside_m + behind_m)
    assert pairs[0]["3 dB pad", "measured line"] == pytest.approx(
        0.03 + line.reflection_in.length_m(CARRIER_HZ)
    )
