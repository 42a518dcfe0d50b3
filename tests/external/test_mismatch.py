"""Mismatch against published limits, divisors and networks."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import skrf

from hilkit.judgement import Knowledge, Reflection, mismatch_correction_db, mismatch_limits_db, mismatch_line
from hilkit.judgement.mismatch import input_reflection

# A cable maker's table of VSWR against return loss in dB (seen), one decimal.
RETURN_LOSS = {1.05: 32.3, 1.10: 26.4, 1.15: 23.1, 1.20: 20.8, 1.50: 14.0, 2.00: 9.5, 3.00: 6.0}


@pytest.mark.parametrize("vswr", RETURN_LOSS)
def test_a_vswr_is_the_return_loss_of_the_published_table(vswr: float) -> None:
    found = Reflection.from_vswr(vswr)
    assert -20 * math.log10(found.magnitude) == pytest.approx(RETURN_LOSS[vswr], abs=0.051)
    assert Reflection.from_return_loss(RETURN_LOSS[vswr]).vswr == pytest.approx(vswr, rel=0.01)


def test_vswr_1_2_and_1_4_leave_0_13_db() -> None:
    """Application Note 150, "Spectrum Analysis Basics", chapter 4: an error of +-0.13 dB."""
    low, high = mismatch_limits_db(Reflection.from_vswr(1.2), Reflection.from_vswr(1.4))
    assert (round(low, 2), round(high, 2)) == (-0.13, 0.13)


# Own recomputation of 20 log10(1 -+ a b) and of 8.686 a b / sqrt 2.
TABLE = [
    (1.05, 1.05, -0.0052, 0.0052, 0.0037),
    (1.1, 1.1, -0.0197, 0.0197, 0.0139),
    (1.25, 1.5, -0.1952, 0.1909, 0.1365),
    (1.5, 1.5, -0.3546, 0.3407, 0.2457),
    (1.5, 2.0, -0.5993, 0.5606, 0.4095),
    (2.0, 2.0, -1.0231, 0.9151, 0.6824),
]


@pytest.mark.parametrize(("a", "b", "low", "high", "u"), TABLE)
def test_limits_are_not_symmetric_in_db(a: float, b: float, low: float, high: float, u: float) -> None:
    first, second = Reflection.from_vswr(a), Reflection.from_vswr(b)
    assert mismatch_limits_db(first, second) == pytest.approx((low, high), abs=6e-5)
    line = mismatch_line(first, second, quantity="joint", source="bench file")
    assert line.standard == pytest.approx(u, abs=6e-5)
    assert f"{low:+.4f} dB to {high:+.4f} dB" in line.source


def test_the_mismatch_line_of_ea_4_02_s7_is_0_0200_db() -> None:
    """EA-4/02 M:2022, S7.6: limits +-0.0283 dB, U-shaped, u 0.0200 dB."""
    both = Reflection(math.sqrt(0.0283 / (20 / math.log(10))))
    line = mismatch_line(both, both, quantity="mismatch", source="S7")
    assert line.half_width == pytest.approx(0.0283)
    assert round(line.standard, 4) == 0.0200


# Harris and Warner, IEE Proc. H 128 (1981) 35, for the first three; a simulation here for all.
DIVISORS = [
    (Knowledge.MAGNITUDE, Knowledge.MAGNITUDE, math.sqrt(2)),
    (Knowledge.MAGNITUDE, Knowledge.DISC, 2.0),
    (Knowledge.DISC, Knowledge.DISC, 2 * math.sqrt(2)),
    (Knowledge.MAGNITUDE, Knowledge.UNIFORM, math.sqrt(6)),
    (Knowledge.DISC, Knowledge.UNIFORM, 2 * math.sqrt(3)),
    (Knowledge.UNIFORM, Knowledge.UNIFORM, 3 * math.sqrt(2)),
]


def reflections(
    knowledge: Knowledge, greatest: float, count: int, generator: np.random.Generator
) -> np.ndarray:
    """Draw complex reflection coefficients: points on a circle, in a disc, or of uniform magnitude."""
    angle = np.exp(2j * math.pi * generator.random(count))
    if knowledge is Knowledge.MAGNITUDE:
        return greatest * angle
    if knowledge is Knowledge.UNIFORM:
        return greatest * generator.random(count) * angle
    points = generator.uniform(-1, 1, (2 * count, 2)) @ np.array([1, 1j])
    return greatest * points[abs(points) <= 1][:count]


@pytest.mark.parametrize(("first", "second", "divisor"), DIVISORS)
def test_the_divisor_is_that_of_simulated_reflections(
    first: Knowledge, second: Knowledge, divisor: float
) -> None:
    """The power through the plane is drawn from its definition |1 - a b|^2, not from a ripple's formula."""
    generator = np.random.default_rng(11)
    a = reflections(first, 0.02, 400_000, generator)
    b = reflections(second, 0.03, 400_000, generator)
    count = min(len(a), len(b))
    drawn_db = -20 * np.log10(abs(1 - a[:count] * b[:count]))
    line = mismatch_line(Reflection(0.02, first), Reflection(0.03, second), quantity="joint", source="")
    assert line.divisor == pytest.approx(divisor)
    assert line.standard == pytest.approx(drawn_db.std(), rel=0.005)


def test_a_joint_with_both_phases_known_is_corrected_as_the_cascade_of_measured_networks_says() -> None:
    """scikit-rf's `ind` twice in a row at 10 GHz: its cascade loses 0.415 dB more than the sum of the two."""
    network = skrf.Network(str(Path(skrf.__file__).parent / "data" / "ind.s2p"))
    s = network.s[-1]
    cascade_db = 20 * math.log10(abs((network**network).s[-1, 1, 0]))
    found = mismatch_correction_db(s[1, 1], s[0, 0])
    assert found == pytest.approx(cascade_db - 2 * 20 * math.log10(abs(s[1, 0])), abs=1e-9)
    assert found == pytest.approx(-0.41511, abs=1e-5)


def test_a_reflection_seen_through_a_network_is_that_of_the_cascade() -> None:
    """A load behind scikit-rf's `ntwk1`, as scikit-rf's own cascade with the load gives it."""
    network = skrf.Network(str(Path(skrf.__file__).parent / "data" / "ntwk1.s2p"))
    load = skrf.Network(frequency=network.frequency, s=np.full((len(network), 1, 1), 0.2 - 0.1j), z0=50)
    s = network.s[45]
    two_port = ((s[0, 0], s[0, 1]), (s[1, 0], s[1, 1]))
    assert input_reflection(two_port, 0.2 - 0.1j) == pytest.approx((network**load).s[45, 0, 0])
