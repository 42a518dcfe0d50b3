"""The law of propagation for a model that is a function, JCGM 100:2008, 5.1.2 and 5.2.2.

A budget of readings is linear, and ``combine`` needs no model. This is for one that is not: sensitivities are
found numerically, and the terms of second order tell how far the model is from a straight line.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hilkit.judgement.correlation import correlation_matrix
from hilkit.judgement.coverage import welch_satterthwaite
from hilkit.readings.budget import BudgetLine, UncertaintyError

__all__ = ["Linearised", "law_of_propagation"]


@dataclass(frozen=True, kw_only=True)
class Linearised:
    """A model at its estimates.

    ``sensitivities`` are the partial derivatives, ``contributions`` they times the standard uncertainties, in
    the order of the lines. ``degrees_of_freedom`` are the effective ones, not truncated, NaN with correlated
    lines (Welch-Satterthwaite does not hold there). ``second_order`` is the part of ``standard`` that the
    terms of second order bring, 0 where they were not asked for.
    """

    estimate: float
    standard: float
    sensitivities: tuple[float, ...]
    contributions: tuple[float, ...]
    degrees_of_freedom: float
    second_order: float = 0.0


def law_of_propagation(
    model: Callable[..., Any],
    lines: Sequence[BudgetLine],
    *,
    correlations: Mapping[tuple[int, int], float] | None = None,
    second_order: bool = False,
) -> Linearised:
    """Propagate the standard uncertainties of ``lines`` through ``model``, which takes one number for each.

    ``second_order`` adds the terms of the note to JCGM 100, 5.1.2, for independent quantities that are spread
    symmetrically; the estimate stays the model's value at the estimates.

    Raises ``UncertaintyError`` for second order with correlated lines.
    """
    matrix = correlation_matrix(lines, correlations)
    independent = np.count_nonzero(matrix) == len(lines)
    if second_order and not independent:
        raise UncertaintyError("the terms of second order are for quantities that are not correlated")
    at = np.array([line.estimate for line in lines])
    steps = np.array([line.standard for line in lines])

    def scaled(*deviations: float) -> float:
        return float(model(*(at + steps * np.array(deviations))))

    contributions = _slopes(scaled, len(lines))
    first = float(contributions @ matrix @ contributions)
    more = _second(scaled, contributions) if second_order else 0.0
    return Linearised(
        estimate=scaled(*np.zeros(len(lines))),
        standard=math.sqrt(max(first + more, 0.0)),
        sensitivities=tuple(float(c / u) if u else 0.0 for c, u in zip(contributions, steps, strict=True)),
        contributions=tuple(float(c) for c in contributions),
        degrees_of_freedom=welch_satterthwaite(
            [float(c) for c in contributions], [line.degrees_of_freedom for line in lines]
        )
        if independent
        else math.nan,
        second_order=math.copysign(math.sqrt(abs(more)), more),
    )


def _slopes(model: Callable[..., float], count: int, step: float = 0.02) -> NDArray[np.float64]:
    """Return the derivatives by deviations counted in standard uncertainties."""
    return np.array([(model(*row) - model(*-row)) / (2 * step) for row in step * np.eye(count)])


def _second(model: Callable[..., float], slopes: NDArray[np.float64], step: float = 0.25) -> float:
    """Return the sum of f_ij^2 / 2 + f_i f_ijj over all pairs, scaled as the slopes."""
    count = len(slopes)
    units = step * np.eye(count)
    middle = model(*np.zeros(count))
    total = 0.0
    for i, along in enumerate(units):
        for j, across in enumerate(units):
            corners = [model(*(s * along + t * across)) for s in (1, -1) for t in (1, -1)]
            if i == j:
                bend = (model(*along) - 2 * middle + model(*-along)) / step**2
            else:
                bend = (corners[0] - corners[1] - corners[2] + corners[3]) / (4 * step**2)
            total += bend**2 / 2 + slopes[i] * _third(model, along, across, step)
    return total


def _third(
    model: Callable[..., float], along: NDArray[np.float64], across: NDArray[np.float64], step: float
) -> float:
    """Return the derivative once along one axis and twice along another."""
    slopes = [(model(*(along + s * across)) - model(*(-along + s * across))) / 2 for s in (-1, 0, 1)]
    return (slopes[0] - 2 * slopes[1] + slopes[2]) / step**3
