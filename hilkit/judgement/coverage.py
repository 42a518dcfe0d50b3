"""Coverage factors, effective degrees of freedom, and what is known of the spread of a result.

Sources: JCGM 100:2008 annex G (t distribution, Welch-Satterthwaite), EA-4/02 S9 and S10 (dominant rectangle,
trapezoid), JCGM 101:2008, 7.9.2 (numerical tolerance).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from hilkit.readings.budget import UncertaintyError

__all__ = [
    "SampledSpread",
    "Spread",
    "StudentSpread",
    "check_probability",
    "numerical_tolerance",
    "student_factor",
    "trapezoid_factor",
    "welch_satterthwaite",
]


def check_probability(probability: float) -> float:
    """Return a coverage probability; ``UncertaintyError`` unless it lies between 0 and 1, both excluded."""
    if not 0 < probability < 1:
        raise UncertaintyError(
            f"a coverage probability lies between 0 and 1, not at {probability}", next_step="0.95 is usual"
        )
    return probability


def student_factor(probability: float, degrees_of_freedom: float = math.inf) -> float:
    """Return the t factor of a two-sided interval, JCGM 100 table G.2; the normal one for infinity."""
    return StudentSpread(degrees_of_freedom).quantile((1 + check_probability(probability)) / 2)


def trapezoid_factor(probability: float, edge: float) -> float:
    """Return k of a symmetric trapezoid whose top is ``edge`` times as wide as its base (EA-4/02 S10).

    ``edge`` 0 is the triangle, 1 the rectangle. For two rectangles it is the difference of their widths over
    the sum. Valid while the interval ends on the slopes: p / (2 - p) > ``edge``; beyond that, in the tails of
    the top, the interval is straight in p.
    """
    if not 0 <= edge <= 1:
        raise UncertaintyError(f"the top of a trapezoid is 0 to 1 times its base, not {edge}")
    standard = math.sqrt((1 + edge**2) / 6)
    if check_probability(probability) / (2 - probability) > edge:
        return (1 - math.sqrt((1 - probability) * (1 - edge**2))) / standard
    return probability * (1 + edge) / 2 / standard


def welch_satterthwaite(contributions: Sequence[float], freedoms: Sequence[float]) -> float:
    """Return the effective degrees of freedom, JCGM 100 G.2b, not truncated; valid for independent lines."""
    total = math.fsum(c**2 for c in contributions) ** 2
    part = math.fsum(c**4 / freedom for c, freedom in zip(contributions, freedoms, strict=True))
    return total / part if part > 0 else math.inf


def numerical_tolerance(standard: float, digits: int = 2) -> float:
    """Return half a unit in the last of ``digits`` digits of ``standard``, JCGM 101, 7.9.2; 0 for none."""
    if standard <= 0:
        return 0.0
    exponent = int(f"{standard:.{digits - 1}e}".partition("e")[2])
    return 0.5 * float(10.0 ** (exponent - digits + 1))


class Spread(Protocol):
    """The distribution of a result around its value, in units of its standard uncertainty; symmetric."""

    def probability_below(self, x: float) -> float:
        """Return the probability that the quantity lies at or below ``x``."""
        ...

    def quantile(self, probability: float) -> float:
        """Return the ``x`` below which the quantity lies with this probability."""
        ...


@dataclass(frozen=True)
class StudentSpread:
    """A t distribution scaled by the standard uncertainty; the normal one for unlimited freedom."""

    degrees_of_freedom: float = math.inf

    def probability_below(self, x: float) -> float:
        """Return the cumulative probability at ``x``."""
        from scipy import special

        if math.isinf(self.degrees_of_freedom):
            return float(special.ndtr(x))
        return float(special.stdtr(self.degrees_of_freedom, x))

    def quantile(self, probability: float) -> float:
        """Return the inverse of ``probability_below``."""
        from scipy import special

        if math.isinf(self.degrees_of_freedom):
            return float(special.ndtri(probability))
        return float(special.stdtrit(self.degrees_of_freedom, probability))


# Probabilities at which a sampled spread is kept: dense where decisions are made, in the tail.
_KEPT = np.concatenate([np.linspace(0.0, 0.98, 197), 1 - np.geomspace(0.0199, 1e-5, 80)])


@dataclass(frozen=True, eq=False)
class SampledSpread:
    """The distribution of a symmetric result as Monte Carlo trials gave it.

    ``distances`` are the quantiles of the distance from the value at a fixed row of probabilities, in units
    of the standard uncertainty that the law of propagation gives. Beyond the last one (1 in 100 000) the
    probability counts as 0.
    """

    distances: NDArray[np.float64]

    @classmethod
    def of(cls, distances: NDArray[np.float64]) -> SampledSpread:
        """Return the spread that has these distances from the value."""
        return cls(np.quantile(np.sort(distances), _KEPT))

    @classmethod
    def of_tail(cls, values: NDArray[np.float64]) -> SampledSpread:
        """Return the spread that has the upper tail of these values, about 0, on both sides."""
        return cls(np.maximum(np.quantile(np.sort(values), (1 + _KEPT) / 2), 0.0))

    def probability_below(self, x: float) -> float:
        """Return the cumulative probability at ``x``."""
        inside = float(np.interp(abs(x), self.distances, _KEPT, left=0.0, right=1.0))
        return (1 + math.copysign(inside, x)) / 2

    def quantile(self, probability: float) -> float:
        """Return the inverse of ``probability_below``."""
        signed = 2 * probability - 1
        return math.copysign(float(np.interp(abs(signed), _KEPT, self.distances)), signed)
