"""Readings of many simulated benches, each drawn anew inside what its bench file states, beside the truth.

Runs are numbered, and a run is a function of the seed and its number alone: it does not matter in how many
processes they are made.
"""

from __future__ import annotations

import multiprocessing
import os
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np

from hilkit.files import Lab
from hilkit.judgement import DecisionRule, Limit, Rule, Uncertainty, combine, decide
from hilkit.readings import Bound, Measured, Verdict
from tests.procedures.drawn import drawn_profile, one_bench
from tests.procedures.rig import load_pier

RULES = (
    (DecisionRule(rule=Rule.GUARD_BAND, r=1.0), 0.025),
    (DecisionRule(rule=Rule.FALSE_ACCEPTANCE, probability=0.05), 0.05),
    (DecisionRule(rule=Rule.FALSE_ACCEPTANCE, probability=0.01), 0.01),
)
"""Decision rules with the rate of false accepts that each promises; for w = U see ILAC-G8:09/2019, 4.2.2."""

PLACES = ("above the truth", "under the truth", "drawn")
"""Where a limit lies: a hair to the wrong side of the true value, as the lowest or the highest value that is
allowed; or drawn evenly over two expanded uncertainties to either side, the lowest or the highest by lot."""

_HAIR = 1e-9
_REACH = 2.0
_CHUNK = 20


@dataclass(frozen=True, kw_only=True)
class Decided:
    """What a rule made of a reading and a limit.

    ``stated`` is the probability of false acceptance that stands beside the verdict.
    """

    rule: str
    place: str
    accepted: bool
    outside: bool
    stated: float

    @property
    def falsely(self) -> bool:
        return self.accepted and self.outside


@dataclass(frozen=True, kw_only=True)
class Found:
    """One reading: how far off it was, what was stated about it, and what was decided by it."""

    run: int
    name: str
    error: float
    expanded: float
    method: str
    degrees_of_freedom: float
    decided: tuple[Decided, ...]

    @property
    def inside(self) -> bool:
        return abs(self.error) <= self.expanded

    @property
    def fits(self) -> bool:
        """Whether the interval was found by Monte Carlo with freedom enough to be neither too wide."""
        return self.method == "Monte Carlo" and self.degrees_of_freedom >= 9


def found_in(seed: int, runs: int, processes: int) -> list[Found]:
    """Return every reading of this many runs, in order."""
    jobs = [(seed, start, min(start + _CHUNK, runs)) for start in range(0, runs, _CHUNK)]
    # Fresh interpreters: the same on every system, and no thread of this one is copied half-way.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        return [found for part in pool.map(_some_runs, jobs) for found in part]


def processes() -> int:
    """Return how many processes are worth while here."""
    return min(os.cpu_count() or 1, 8)


def _some_runs(job: tuple[int, int, int]) -> list[Found]:
    seed, start, end = job
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        bench = load_pier(folder)
        found = []
        for number in range(start, end):
            rng = np.random.default_rng([seed, number])
            noise = int(rng.integers(1, 2**31))
            for reading in one_bench(bench, drawn_profile(rng, bench), noise, Lab(folder)):
                found.append(_found(rng, number, *reading))
        return found


def _found(rng: np.random.Generator, run: int, name: str, reading: Measured, truth: float) -> Found:
    assert reading.bound is Bound.EXACT, f"{name} of run {run} is a bound, which has no interval"
    assert reading.budget is not None
    assert not reading.budget.missing
    stated = combine(reading.budget)
    return Found(
        run=run,
        name=name,
        error=float(reading.value - truth),
        expanded=stated.expanded,
        method=stated.method,
        degrees_of_freedom=stated.degrees_of_freedom,
        decided=tuple(_decided(rng, reading.value, stated, float(truth))),
    )


def _decided(rng: np.random.Generator, value: float, stated: Uncertainty, truth: float) -> Iterator[Decided]:
    distance, upper = _REACH * stated.expanded * rng.uniform(-1, 1), bool(rng.integers(2))
    for (rule, _), place in product(RULES, PLACES):
        if place == "drawn":
            at = truth + distance
            limit = Limit(unit=stated.unit, high=at) if upper else Limit(unit=stated.unit, low=at)
        elif place == "above the truth":
            limit = Limit(unit=stated.unit, low=truth + _HAIR)
        else:
            limit = Limit(unit=stated.unit, high=truth - _HAIR)
        decision = decide(value, stated, limit, rule)
        yield Decided(
            rule=str(rule),
            place=place,
            accepted=decision.verdict is Verdict.PASS,
            outside=(limit.high is not None and truth > limit.high)
            or (limit.low is not None and truth < limit.low),
            stated=decision.probability_false_acceptance,
        )
