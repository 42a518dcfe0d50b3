"""Propagation of distributions by Monte Carlo, JCGM 101:2008, with the adaptive procedure of its clause 7.9.

Every draw comes from a generator that is seeded by the numbers it works on: the same budget gives the same
interval, on every machine and in every run.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from hilkit.judgement.correlation import correlation_matrix
from hilkit.judgement.coverage import SampledSpread, check_probability, numerical_tolerance
from hilkit.readings.budget import BudgetLine, Distribution, UncertaintyError

__all__ = ["RIPPLES", "Part", "Propagated", "draw", "propagate", "spread_of"]

Samples = NDArray[np.float64]
Model = Callable[..., Any]

BLOCK = 10_000
"""Trials of one block, JCGM 101, 7.9.4 b) for a coverage probability up to 99 %."""

MOST_BLOCKS = 200


@dataclass(frozen=True)
class Part:
    """One independent part of a result: a shape, its standard uncertainty, degrees of freedom.

    ``top`` is the width of a trapezoid's top over its base.
    """

    distribution: Distribution
    standard: float
    degrees_of_freedom: float = math.inf
    top: float = 0.0

    @classmethod
    def of(cls, line: BudgetLine, standard: float) -> Part:
        """Return the part that a line brings with this standard uncertainty."""
        top = 0.0
        if line.distribution is Distribution.TRAPEZOIDAL and line.standard and line.half_width:
            top = math.sqrt(min(max(6 * (line.standard / line.half_width) ** 2 - 1, 0.0), 1.0))
        return cls(line.distribution, standard, line.degrees_of_freedom, top)


def draw(part: Part, shape: tuple[int, ...], generator: np.random.Generator) -> Samples:
    """Draw deviations from the estimate, in an array of this shape, JCGM 101, 6.4.

    A normal quantity of few degrees of freedom is drawn from the t distribution scaled by its standard
    uncertainty (6.4.9), which therefore spreads wider than the figure says.
    """
    freedom = part.degrees_of_freedom
    if part.distribution in (Distribution.NORMAL, Distribution.STUDENT):
        unit = (
            generator.standard_normal(shape) if math.isinf(freedom) else generator.standard_t(freedom, shape)
        )
    elif part.distribution is Distribution.RECTANGULAR:
        unit = math.sqrt(3.0) * _rectangle(freedom, shape, generator)
    elif part.distribution is Distribution.TRIANGULAR:
        unit = math.sqrt(6.0) * (generator.random(shape) + generator.random(shape) - 1)
    elif part.distribution is Distribution.TRAPEZOIDAL:
        wide, narrow = (1 + part.top) / 2, (1 - part.top) / 2
        base = wide * (2 * generator.random(shape) - 1) + narrow * (2 * generator.random(shape) - 1)
        unit = base * math.sqrt(6.0 / (1 + part.top**2))
    else:
        unit = part.distribution.divisor * _ripple(part.distribution, shape, generator)
    return np.asarray(part.standard * unit, dtype=np.float64)


def _rectangle(freedom: float, shape: tuple[int, ...], generator: np.random.Generator) -> Samples:
    """Draw from -1..1; with limits that are themselves uncertain (JCGM 101, 6.4.3) for finite freedom."""
    if math.isinf(freedom):
        return 2 * generator.random(shape) - 1
    inexact = min(1 / math.sqrt(2 * freedom), 1.0)  # relative uncertainty of the width, JCGM 100, G.3
    limit = 1 + inexact * (2 * generator.random(shape) - 1)
    return limit * (2 * generator.random(shape) - 1)


_RADII = {
    Distribution.ARCSINE: (),
    Distribution.SEMICIRCLE: (0.5,),
    Distribution.TWO_DISCS: (0.5, 0.5),
    Distribution.ONE_MAGNITUDE: (1.0,),
    Distribution.DISC_AND_MAGNITUDE: (0.5, 1.0),
    Distribution.TWO_MAGNITUDES: (1.0, 1.0),
}


RIPPLES = frozenset(_RADII)
"""The distributions of a ripple between two reflections."""


def _ripple(distribution: Distribution, shape: tuple[int, ...], generator: np.random.Generator) -> Samples:
    """Draw a ripple of amplitude up to 1 with uniform phase; a magnitude is a power of a uniform number."""
    return _wave(distribution, math.pi * generator.random(shape), generator)


def _wave(distribution: Distribution, phase: Samples, generator: np.random.Generator) -> Samples:
    wave: Samples = np.cos(phase)
    for power in _RADII[distribution]:
        wave = wave * generator.random(phase.shape) ** power
    return wave


def _tied(parts: Sequence[Part], shape: tuple[int, ...], generator: np.random.Generator) -> Samples:
    """Draw the sum of three ripples of which any two are independent, and all three are not.

    An element that takes little has reflections that conservation of energy ties to each other: the ripples
    with what stands before it, with what stands behind it, and of these two through it have phases that add
    up to half a turn. So the sum leans to the low side by the third moment of their amplitudes.
    """
    first, second = (2 * math.pi * generator.random(shape) for _ in range(2))
    phases = (first, second, math.pi + first + second)
    total = np.zeros(shape)
    for part, phase in zip(parts, phases, strict=True):
        scale = part.standard * part.distribution.divisor
        total += scale * _wave(part.distribution, phase, generator)
    return total


def _trial(parts: tuple[Part, ...], generator: np.random.Generator) -> Samples:
    """Draw ten blocks of the sum of parts, the three largest ripples tied where there are three or more."""
    shape = (10, BLOCK)
    order = sorted(parts, key=lambda part: (part.distribution not in _RADII, -part.standard))
    count = 3 if sum(part.distribution in _RADII for part in parts) >= 3 else 0
    tied, alone = order[:count], order[count:]
    total = _tied(tied, shape, generator) if tied else np.zeros(shape)
    for part in alone:
        total += draw(part, shape, generator)
    return total if tied else np.abs(total)


def seeded(*facts: object) -> np.random.Generator:
    """Return a generator that depends on nothing but these facts."""
    digest = hashlib.sha256(repr(facts).encode()).digest()
    return np.random.Generator(np.random.PCG64(int.from_bytes(digest[:8], "big")))


@lru_cache(maxsize=4096)
def spread_of(parts: tuple[Part, ...], probability: float) -> SampledSpread:
    """Return the spread of the sum of uncorrelated symmetric parts whose squares add up to 1.

    Nobody has stated which ripples are tied to each other. Where there are three or more, the three largest
    count as tied, and the spread has the heavier of its two tails on both sides.

    Blocks are added until twice the standard deviation of the mean interval is below 1 % of the standard
    uncertainty (of what the interval has beyond it, where few degrees of freedom make that wide), or until
    there are 100.
    """
    generator = seeded(parts, probability)
    leans = sum(part.distribution in _RADII for part in parts) >= 3
    at = (1 + probability) / 2 if leans else probability
    sets: list[Samples] = []
    ends = np.empty(0)
    while len(ends) < 100:
        total = -_trial(parts, generator) if leans else _trial(parts, generator)
        sets.append(total)
        ends = np.append(ends, np.quantile(total, at, axis=1))
        doubt = 2 * float(ends.std(ddof=1)) / math.sqrt(len(ends))
        if doubt < 0.01 * max(1.0, float(ends.mean()) - 1):
            break
    found = np.concatenate(sets).ravel()
    return SampledSpread.of_tail(found) if leans else SampledSpread.of(found)


@dataclass(frozen=True, kw_only=True)
class Propagated:
    """What Monte Carlo trials made of a model.

    ``interval`` is the coverage interval itself (not relative to ``estimate``). ``settled`` says whether the
    numerical tolerance ``tolerance`` was reached. ``values`` are the model values, sorted.
    """

    estimate: float
    standard: float
    interval: tuple[float, float]
    probability: float
    trials: int
    tolerance: float
    settled: bool
    values: Samples = field(repr=False, compare=False)


def propagate(
    model: Model,
    lines: Sequence[BudgetLine],
    *,
    correlations: Mapping[tuple[int, int], float] | None = None,
    probability: float = 0.95,
    interval: Literal["equal tails", "shortest"] = "equal tails",
    digits: int = 2,
    trials: int | None = None,
    seed: int = 0,
) -> Propagated:
    """Propagate the distributions of ``lines`` through ``model``, which need not be linear.

    ``model`` takes one array for each line, in order, and returns an array; its values are not multiplied by
    the lines' sensitivities, which belong to linear budgets. Correlated lines keep their own distributions
    and are tied by their ranks; for normal ones that is the multivariate normal of JCGM 101, 6.4.8. Adaptive
    (7.9.4) in blocks of 10 000 up to 2 million trials, or exactly ``trials``.

    Raises ``UncertaintyError`` for a model that yields numbers that are not finite.
    """
    check_probability(probability)
    matrix = correlation_matrix(lines, correlations)
    parts = tuple(Part.of(line, line.standard) for line in lines)
    generator = seeded(parts, [line.estimate for line in lines], matrix.tolist(), seed)
    blocks: list[Samples] = []
    facts: list[tuple[float, float, float, float]] = []
    count = MOST_BLOCKS if trials is None else math.ceil(trials / BLOCK)
    settled = trials is not None
    for number in range(1, count + 1):
        size = BLOCK if trials is None else min(BLOCK, trials - BLOCK * (number - 1))
        values = _run(model, lines, _inputs(lines, parts, matrix, size, generator))
        blocks.append(values)
        facts.append((float(values.mean()), float(values.std(ddof=1)), *_ends(values, probability, interval)))
        if trials is None and number % 10 == 0 and _steady(facts, digits):
            settled = True
            break
    everything = np.sort(np.concatenate(blocks))
    standard = float(everything.std(ddof=1))
    return Propagated(
        estimate=float(everything.mean()),
        standard=standard,
        interval=_ends(everything, probability, interval),
        probability=probability,
        trials=len(everything),
        tolerance=numerical_tolerance(standard, digits),
        settled=settled,
        values=everything,
    )


def _run(model: Model, lines: Sequence[BudgetLine], inputs: list[Samples]) -> Samples:
    values = np.broadcast_to(np.asarray(model(*inputs), dtype=np.float64), inputs[0].shape)
    if not np.isfinite(values).all():
        names = ", ".join(line.quantity for line in lines)
        raise UncertaintyError(f"the model of {names} gives values that are not finite numbers")
    return values


def _steady(facts: Sequence[tuple[float, float, float, float]], digits: int) -> bool:
    table = np.array(facts)
    doubt = 2 * table.std(axis=0, ddof=1) / math.sqrt(len(table))
    return bool(np.all(doubt <= numerical_tolerance(float(table[:, 1].mean()), digits)))


def _inputs(
    lines: Sequence[BudgetLine],
    parts: Sequence[Part],
    matrix: Samples,
    size: int,
    generator: np.random.Generator,
) -> list[Samples]:
    deviations = [draw(part, (size,), generator) for part in parts]
    tied = [index for index, row in enumerate(matrix) if np.count_nonzero(row) > 1]
    if tied:
        values, vectors = np.linalg.eigh(matrix[np.ix_(tied, tied)])
        root = vectors * np.sqrt(np.clip(values, 0.0, None))
        common = root @ generator.standard_normal((len(tied), size))
        for index, guide in zip(tied, common, strict=True):
            deviations[index] = _guided(parts[index], deviations[index], guide)
    return [line.estimate + deviation for line, deviation in zip(lines, deviations, strict=True)]


def _guided(part: Part, deviations: Samples, guide: Samples) -> Samples:
    """Put the deviations into the order of a normal guide; a normal quantity is the guide itself."""
    if part.distribution is Distribution.NORMAL and math.isinf(part.degrees_of_freedom):
        return part.standard * guide
    ordered = np.empty_like(deviations)
    ordered[np.argsort(guide)] = np.sort(deviations)
    return ordered


def _ends(values: Samples, probability: float, interval: str) -> tuple[float, float]:
    if interval == "equal tails":
        low, high = np.quantile(values, [(1 - probability) / 2, (1 + probability) / 2])
        return float(low), float(high)
    ordered = np.sort(values)  # JCGM 101, 5.3.4: of all intervals that hold p M values, the shortest
    span = round(probability * len(ordered))
    start = int(np.argmin(ordered[span:] - ordered[:-span]))
    return float(ordered[start]), float(ordered[start + span])
