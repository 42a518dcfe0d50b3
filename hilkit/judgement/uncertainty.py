"""From a budget to an uncertainty: how far the true value may lie from the one that was read.

The law of propagation (JCGM 100:2008, 5) gives the standard uncertainty. The interval has to fit the shape
of the budget: a dominant rectangle reaches no further than its own limits, three readings of scatter reach
far. A budget that is close to normal, or has one source of scatter only, takes a t factor with
Welch-Satterthwaite (JCGM 100, G.4); any other is propagated by Monte Carlo (JCGM 101:2008).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hilkit.judgement.correlation import correlation_matrix
from hilkit.judgement.coverage import (
    SampledSpread,
    Spread,
    StudentSpread,
    check_probability,
    numerical_tolerance,
    student_factor,
    welch_satterthwaite,
)
from hilkit.judgement.montecarlo import Part, propagate, spread_of
from hilkit.quantities import READING_UNITS, difference_unit
from hilkit.readings.budget import Budget, BudgetLine, Distribution

__all__ = ["Method", "Uncertainty", "combine"]

Method = Literal["law of propagation", "Monte Carlo"]


@dataclass(frozen=True, kw_only=True)
class Uncertainty:
    """How sure a reading is, in the unit of its budget.

    ``standard`` is the combined standard uncertainty; ``degrees_of_freedom`` the effective ones, truncated.
    ``coverage_factor`` is ``expanded`` over ``standard``, also where Monte Carlo found the interval.
    ``interval`` is relative to the value. ``method`` says how the interval was found; ``warning`` is a
    sentence for a person, empty where there is nothing to say: law of propagation and Monte Carlo state
    different intervals (JCGM 101, 8.1), or effective degrees of freedom are not defined. ``missing`` has a
    sentence for each part that the budget has no figure for. ``short_warning`` is
    ``warning`` in a few words. ``spread`` is the distribution around the value.
    """

    standard: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded: float
    probability: float
    method: Method
    interval: tuple[float, float]
    unit: str
    warning: str = ""
    missing: tuple[str, ...] = ()
    short_warning: str = ""
    spread: Spread = field(repr=False, compare=False)

    def probability_below(self, distance: float) -> float:
        """Return the probability that the true value lies at most this much above the one that was read.

        With no uncertainty at all that is 1 from 0 on.
        """
        if self.standard == 0:
            return 1.0 if distance >= 0 else 0.0
        return self.spread.probability_below(distance / self.standard)

    def distance(self, probability: float) -> float:
        """Return the distance above the value, below which the true value lies with this probability."""
        return self.standard * self.spread.quantile(check_probability(probability)) if self.standard else 0.0


def combine(budget: Budget, *, probability: float = 0.95, method: Method | None = None) -> Uncertainty:
    """Combine the lines of a budget.

    Lines are correlated as the budget states, else as their shared causes imply. Effective degrees of freedom
    count a group of correlated lines as one part; where such a group has few degrees of freedom of its own,
    Welch-Satterthwaite does not hold (JCGM 100, G.4.1, note 1) and the least of them is taken. ``method`` is
    chosen by the shape of the budget unless given. Raises ``UncertaintyError`` for correlations that
    contradict each other.
    """
    check_probability(probability)
    groups = _groups(budget)
    parts = [group.part for group in groups]
    standard = math.sqrt(math.fsum(part.standard**2 for part in parts))
    freedom = welch_satterthwaite(
        [part.standard for part in parts], [part.degrees_of_freedom for part in parts]
    )
    freedom = max(math.floor(freedom + 1e-9), 1) if freedom < _UNLIMITED else math.inf
    warnings = [(_NO_FREEDOM, group.warning) for group in groups if group.warning]
    # A budget may be in a unit that no reading has.
    unit = difference_unit(budget.unit) if budget.unit in READING_UNITS else budget.unit
    spread: Spread = StudentSpread(freedom)
    factor = student_factor(probability, freedom)
    if standard and method is None:
        method = "Monte Carlo" if _needs_trials(groups, standard, freedom, factor) else "law of propagation"
        if method == "law of propagation":
            apart = _shape_effect(groups, standard, factor) * standard
            warnings += _kept(factor * standard, apart, standard, unit)
    if standard and method == "Monte Carlo":
        spread = _trials(budget, groups, standard, probability)
        by_trials = spread.quantile((1 + probability) / 2)
        warnings += _difference(factor * standard, by_trials * standard, standard, unit)
        factor = by_trials
    expanded = factor * standard
    return Uncertainty(
        standard=standard,
        degrees_of_freedom=freedom,
        coverage_factor=factor,
        expanded=expanded,
        probability=probability,
        method=method or "law of propagation",
        interval=(-expanded, expanded),
        unit=budget.unit,
        warning="; ".join(told for _, told in warnings),
        missing=budget.missing,
        short_warning=", ".join(dict.fromkeys(short for short, _ in warnings)),
        spread=spread,
    )


@dataclass(frozen=True)
class _Group:
    """Lines that are correlated among themselves and with no other; mostly one line.

    ``one_shape`` is false where their sum has no shape of its own that is known.
    """

    part: Part
    one_shape: bool = True
    warning: str = ""


def _groups(budget: Budget) -> list[_Group]:
    lines = budget.lines
    if not budget.correlations and not _share(lines):
        return [_Group(Part.of(line, abs(line.contribution))) for line in lines if line.contribution]
    matrix = correlation_matrix(lines, budget.correlations)
    groups = []
    for members in _connected(matrix):
        counted = [index for index in members if lines[index].contribution]
        if len(counted) == 1:
            groups.append(_Group(Part.of(lines[counted[0]], abs(lines[counted[0]].contribution))))
        elif counted:
            groups.append(_group([lines[index] for index in counted], matrix[np.ix_(counted, counted)]))
    return groups


def _share(lines: Sequence[BudgetLine]) -> bool:
    causes = [line.shared for line in lines if line.shared]
    return len(causes) > len(set(causes))


def _connected(matrix: NDArray[np.float64]) -> list[list[int]]:
    left = set(range(len(matrix)))
    groups = []
    while left:
        members, fresh = set[int](), {min(left)}
        while fresh:
            members |= fresh
            fresh = {int(j) for i in fresh for j in np.flatnonzero(matrix[i])} - members
        left -= members
        groups.append(sorted(members))
    return groups


def _group(lines: Sequence[BudgetLine], matrix: NDArray[np.float64]) -> _Group:
    """Make one part of correlated lines: exactly, where their sum keeps the shape that each of them has.

    It does for normal quantities, for ripples of one unknown phase (a sum of sinusoids is a sinusoid), and
    where all of them follow each other fully.
    """
    contributions = np.array([line.contribution for line in lines])
    standard = math.sqrt(max(float(contributions @ matrix @ contributions), 0.0))
    shapes = {(Part.of(line, 1.0).distribution, Part.of(line, 1.0).top) for line in lines}
    (distribution, top) = next(iter(shapes))
    full = bool(np.all(np.abs(matrix) == 1.0))
    adds_up = distribution in (Distribution.NORMAL, Distribution.ARCSINE) or full
    freedom = min(line.degrees_of_freedom for line in lines)
    warning = ""
    if math.isfinite(freedom) and not full:
        names = ", ".join(line.quantity for line in lines)
        warning = (
            f"effective degrees of freedom are not defined for correlated quantities ({names});"
            f" the least of theirs is taken, {freedom:g}"
        )
    if len(shapes) == 1 and adds_up:
        return _Group(Part(distribution, standard, freedom, top), True, warning)
    return _Group(Part(Distribution.NORMAL, standard, freedom), False, warning)


# Excess kurtosis of each shape, from its moments; 0 for the normal one.
_KURTOSIS = {
    Distribution.RECTANGULAR: -1.2,
    Distribution.TRIANGULAR: -0.6,
    Distribution.ARCSINE: -1.5,
    Distribution.SEMICIRCLE: -1.0,
    Distribution.TWO_DISCS: -1 / 3,
    Distribution.ONE_MAGNITUDE: -0.3,
    Distribution.DISC_AND_MAGNITUDE: 0.6,
    Distribution.TWO_MAGNITUDES: 1.86,
}

# A factor that is off by this much moves the coverage of a 95 % interval by a quarter of a percent. The
# numerical tolerance can be a quarter of it; trials that settle to 1 % would hardly do better than the law
# there, which is kept, with a warning.
_FACTOR_TOLERANCE = 0.02

# So many degrees of freedom are as good as any number of them.
_UNLIMITED = 1e6

# Above this Welch-Satterthwaite's t interval keeps its promise whatever the lines are.
_MANY_DEGREES = 30


def _needs_trials(groups: Sequence[_Group], standard: float, freedom: float, factor: float) -> bool:
    """Tell whether a t factor would miss the interval by more than the tolerance."""
    shares = [group.part.standard / standard for group in groups]
    if any(not group.one_shape and share > 0.1 for group, share in zip(groups, shares, strict=True)):
        return True
    if _shape_effect(groups, standard, factor) > _FACTOR_TOLERANCE:
        return True
    return freedom < _MANY_DEGREES and max(shares) ** 2 < 0.98


def _shape_effect(groups: Sequence[_Group], standard: float, factor: float) -> float:
    """Estimate how far the coverage factor is off because the sum is not quite normal.

    The first correction of a quantile for the kurtosis g of the sum is (z^3 - 3 z) g / 24 (Cornish-Fisher).
    """
    kurtosis = math.fsum((group.part.standard / standard) ** 4 * _kurtosis(group.part) for group in groups)
    return abs(kurtosis) * max(abs(factor**3 - 3 * factor), 1.6) / 24


def _kurtosis(part: Part) -> float:
    if part.distribution is Distribution.TRAPEZOIDAL:
        return -1.2 * (1 + part.top**4) / (1 + part.top**2) ** 2
    return _KURTOSIS.get(part.distribution, 0.0)


def _trials(budget: Budget, groups: Sequence[_Group], standard: float, probability: float) -> SampledSpread:
    if all(group.one_shape for group in groups):
        return spread_of(_coarse([group.part for group in groups], standard), probability)
    weights = [(line.sensitivity, line.estimate) for line in budget.lines]

    def total(*inputs: NDArray[np.float64]) -> NDArray[np.float64]:
        return sum((c * (x - at) for (c, at), x in zip(weights, inputs, strict=True)), np.zeros(1))

    found = propagate(total, budget.lines, correlations=budget.correlations, probability=probability)
    return SampledSpread.of(np.abs(found.values) / standard)


def _coarse(parts: Sequence[Part], standard: float) -> tuple[Part, ...]:
    """Return the parts in units of the combined uncertainty, so that like budgets share one set of trials.

    What is normal, or less than a twentieth, adds to one normal part. Shares are rounded to a percent, but
    for the largest, which takes what the others leave: beside a U shape a little noise widens the
    interval.
    """
    kept, pooled = [], 0.0
    for part in parts:
        share = part.standard / standard
        freedom = math.floor(part.degrees_of_freedom) if part.degrees_of_freedom < 100 else math.inf
        plain = part.distribution in (Distribution.NORMAL, Distribution.STUDENT) and math.isinf(freedom)
        if plain or share < 0.05:
            pooled += share**2
        else:
            kept.append(Part(part.distribution, share, max(freedom, 1), round(part.top, 2)))
    kept.append(Part(Distribution.NORMAL, math.sqrt(pooled)))
    largest = max(kept, key=lambda part: part.standard)
    kept.remove(largest)
    others = [replace(part, standard=_rounded(part.standard)) for part in kept if _rounded(part.standard)]
    left = 1 - math.fsum(part.standard**2 for part in others)
    if left < 0.9 * largest.standard**2:  # many small parts, all rounded up
        return (*sorted(kept, key=repr), largest)
    return (*sorted(others, key=repr), replace(largest, standard=math.sqrt(left)))


def _rounded(share: float) -> float:
    return round(share, 2)


# Warnings are pairs of a few words and a sentence.
_Warning = tuple[str, str]
_NO_FREEDOM = "degrees of freedom not defined"
_LAW_DIFFERS = "the law of propagation differs"
_TRIALS_DIFFER = "Monte Carlo would differ"


def _kept(by_law: float, apart: float, standard: float, unit: str) -> list[_Warning]:
    said = f"the law of propagation states +-{by_law:.3g} {unit}, {apart:.1g} {unit} or so from Monte Carlo"
    told = _beyond(apart, standard, unit, said, "the interval of the law")
    return [(_TRIALS_DIFFER, each) for each in told]


def _difference(by_law: float, by_trials: float, standard: float, unit: str) -> list[_Warning]:
    said = f"the law of propagation would state +-{by_law:.3g} {unit}, Monte Carlo +-{by_trials:.3g} {unit}"
    told = _beyond(abs(by_law - by_trials), standard, unit, said, "the Monte Carlo interval")
    return [(_LAW_DIFFERS, each) for each in told]


def _beyond(apart: float, standard: float, unit: str, said: str, stated: str) -> list[str]:
    tolerance = numerical_tolerance(standard)
    words = f"more apart than the numerical tolerance of {tolerance:.1g} {unit} (JCGM 101, 8.1)"
    return [f"{said}: {words}; {stated} is the one stated"] if apart > tolerance else []
