"""The interval that a budget states holds the true value about as often as it promises.

No source outside: the truth is the simulated chain itself (a noiseless long FFT of the tone at the port, the
power of the simulated stream), drawn anew for each bench inside the very figures that its bench file states.
``tests/external/test_coverage.py`` does the same for twenty times as many.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

from hilkit.files import Lab
from hilkit.judgement.uncertainty import combine
from tests.procedures.drawn import QUANTITIES, drawn_profile, one_bench
from tests.procedures.rig import load_pier

BENCHES = 100
SEED = 20261125
PROMISED = 0.95
# One run in a thousand may fall outside by chance, for each quantity and side.
TAIL = 5e-4


@dataclass(frozen=True, kw_only=True)
class Found:
    """Error of one reading, and what was stated about it."""

    error: float
    standard: float
    expanded: float

    @property
    def inside(self) -> bool:
        return abs(self.error) <= self.expanded


@pytest.fixture(scope="module")
def found(tmp_path_factory) -> dict[str, list[Found]]:
    folder = tmp_path_factory.mktemp("drawn")
    bench = load_pier(folder)
    rng = np.random.default_rng(SEED)
    everything: dict[str, list[Found]] = defaultdict(list)
    for number in range(BENCHES):
        for name, reading, truth in one_bench(bench, drawn_profile(rng, bench), number, Lab(folder)):
            stated = combine(reading.budget)
            everything[name].append(
                Found(error=reading.value - truth, standard=stated.standard, expanded=stated.expanded)
            )
    return everything


@pytest.mark.parametrize("name", QUANTITIES)
def test_the_stated_interval_holds_the_truth_as_often_as_it_says(found, name):
    inside = sum(each.inside for each in found[name])
    least = stats.binom.ppf(TAIL, BENCHES, PROMISED)
    most = stats.binom.ppf(1 - TAIL, BENCHES, 0.98)
    assert least <= inside <= most, f"{inside} of {BENCHES}, {least:g} to {most:g} are as promised"


@pytest.mark.parametrize("name", QUANTITIES)
def test_the_errors_are_as_large_as_the_budget_says(found, name):
    """A budget twice too wide would still hold the truth: the spread of the errors is what it has to be."""
    errors = np.array([each.error for each in found[name]])
    stated = np.sqrt(np.mean([each.standard**2 for each in found[name]]))
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(stated, rel=0.25)
