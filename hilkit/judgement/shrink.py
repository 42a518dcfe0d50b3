"""What would halve an uncertainty: which lines of a budget have to shrink, and to what."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from hilkit.judgement.correlation import correlation_matrix
from hilkit.judgement.uncertainty import combine
from hilkit.readings import Budget

__all__ = ["Halving", "halving", "shares"]


@dataclass(frozen=True, kw_only=True)
class Halving:
    """The fewest lines, largest first, that have to shrink for half the standard uncertainty.

    ``lines`` are their numbers in the budget; ``factor`` gives for each of them how many times smaller it
    has to become. ``expanded`` is the expanded uncertainty then, ``without_largest`` the standard uncertainty
    that stays if the largest line vanishes altogether.
    """

    lines: tuple[int, ...]
    factors: tuple[float, ...]
    expanded: float
    without_largest: float


def shares(budget: Budget) -> list[float]:
    """Return each line's share in the variance, in the order of the lines.

    A correlation between two lines counts half to each; a share is negative where it takes more off.
    """
    matrix = correlation_matrix(budget.lines, budget.correlations)
    contributions = [line.contribution for line in budget.lines]
    parts = [
        c * math.fsum(r * other for r, other in zip(row, contributions, strict=True))
        for c, row in zip(contributions, matrix, strict=True)
    ]
    total = math.fsum(parts)
    return [part / total if total > 0 else 0.0 for part in parts]


def halving(budget: Budget) -> Halving | None:
    """Return what halves the standard uncertainty, ``None`` where there is none to halve.

    All of the chosen lines come down to one size. With correlated lines the way there is searched.
    """
    standard = combine(budget).standard
    if standard == 0:
        return None
    order = sorted(range(len(budget.lines)), key=lambda i: -abs(budget.lines[i].contribution))
    used = [index for index in order if budget.lines[index].contribution]
    for count in range(1, len(used) + 1):
        chosen = used[:count]
        if _standard(_capped(budget, chosen, 0.0)) < standard / 2 * (1 - 1e-9):
            break
    size = _search(budget, chosen, standard / 2)
    shrunk = _capped(budget, chosen, size)
    needed = [index for index in chosen if abs(budget.lines[index].contribution) > size]
    return Halving(
        lines=tuple(needed),
        factors=tuple(abs(budget.lines[index].contribution) / size for index in needed),
        expanded=combine(shrunk).expanded,
        without_largest=_standard(_capped(budget, used[:1], 0.0)),
    )


def _search(budget: Budget, chosen: Sequence[int], target: float) -> float:
    """Return the size of the chosen contributions that gives the target, by bisection."""
    low, high = 0.0, max(abs(budget.lines[index].contribution) for index in chosen)
    for _ in range(60):
        middle = (low + high) / 2
        if _standard(_capped(budget, chosen, middle)) > target:
            high = middle
        else:
            low = middle
    return low


def _standard(budget: Budget) -> float:
    matrix = correlation_matrix(budget.lines, budget.correlations)
    contributions = [line.contribution for line in budget.lines]
    total = math.fsum(
        a * b * matrix[i, j] for i, a in enumerate(contributions) for j, b in enumerate(contributions)
    )
    return math.sqrt(max(total, 0.0))


def _capped(budget: Budget, chosen: Sequence[int], size: float) -> Budget:
    """Return the budget with the chosen contributions no larger than ``size``."""
    lines = list(budget.lines)
    for index in chosen:
        contribution = abs(lines[index].contribution)
        if contribution > size:
            lines[index] = replace(lines[index], sensitivity=lines[index].sensitivity * size / contribution)
    return replace(budget, lines=tuple(lines))
