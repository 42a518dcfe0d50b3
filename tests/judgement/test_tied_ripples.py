"""Three ripples around one element that takes nothing are tied, and a budget that holds them says enough.

Source: S-parameters of a network without loss are unitary (D. M. Pozar, Microwave Engineering, 4th edition,
4.3; from memory), so that the phases of its reflections add up to twice that of its transmission and half a
turn. The truth is the gain of such a network between two reflections, all reflections in between summed.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from hilkit.judgement import combine
from hilkit.judgement.montecarlo import Part, spread_of
from hilkit.readings import Distribution
from tests.judgement.lines import budget, ripple

DRAWS = 400_000
SOURCE, LOAD = 0.02, 0.025
DB_PER_NEPER = 20 / math.log(10)


def errors_db(element: float) -> np.ndarray:
    """By how much the gain differs from that of the element between matched ends, over all phases."""
    rng = np.random.default_rng(20261125)
    one, two, through, front = (np.exp(2j * np.pi * rng.random(DRAWS)) for _ in range(4))
    gain = math.sqrt(1 - element**2) * through
    s11 = element * front
    s22 = -np.conj(s11) * through**2
    source, load = SOURCE * one, LOAD * two
    return -20 * np.log10(np.abs((1 - s11 * source) * (1 - s22 * load) - gain**2 * source * load))


def stated(element: float):
    amplitudes = (element * SOURCE, element * LOAD, SOURCE * LOAD * (1 - element**2))
    return combine(budget(*(ripple(DB_PER_NEPER * each) for each in amplitudes)))


@pytest.mark.parametrize("element", [0.015, 0.02, 0.04])
@pytest.mark.parametrize("p", [0.01, 0.025, 0.05])
def test_neither_tail_is_heavier_than_stated(element, p):
    errors, found = errors_db(element), stated(element)
    far_db = found.distance(1 - p)
    low, high = float(np.mean(errors < -far_db)), float(np.mean(errors > far_db))
    assert max(low, high) == pytest.approx(p, rel=0.07)
    assert min(low, high) < 0.7 * p


@pytest.mark.parametrize("element", [0.015, 0.02, 0.04])
def test_the_interval_still_holds_no_less_than_it_promises(element):
    errors, found = errors_db(element), stated(element)
    assert found.method == "Monte Carlo"
    assert 0.95 <= np.mean(np.abs(errors) <= found.expanded) < 0.985


def test_two_ripples_are_independent():
    """Any two of the three are, so that nothing leans: two cosines, each of its own phase."""
    half = Part(Distribution.ARCSINE, math.sqrt(0.5), math.inf)
    spread = spread_of((half, half), 0.95)
    rng = np.random.default_rng(1)
    total = np.cos(2 * np.pi * rng.random(DRAWS)) + np.cos(2 * np.pi * rng.random(DRAWS))
    assert spread.quantile(0.975) == pytest.approx(np.quantile(total, 0.975), rel=0.01)
