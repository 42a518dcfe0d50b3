"""Correlation between readings that share causes, and the budget of their difference.

Two readings that were taken over the same path share its errors: in a ratio they cancel. A ripple from two
reflections with a line between them repeats over frequency, and two readings share it only in so far as they
lie close: with electrical length L the ripple's phase turns by 4 pi df L / c between them, and its
correlation is the cosine of that. Where the length is not known, two frequencies count as independent.

Formulas: JCGM 100:2008, 5.2 (correlated input quantities) and F.1.2 (common causes).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hilkit.readings.budget import Budget, BudgetLine, Distribution, UncertaintyError

__all__ = ["correlate", "correlation_matrix", "difference", "line_correlation", "result_correlation"]

LIGHT_M_S = 299_792_458.0


def line_correlation(first: BudgetLine, second: BudgetLine) -> float:
    """Return the correlation of two lines' deviations, -1..1, before their sensitivities.

    0 without the same ``shared`` cause; 1 for the same cause at the same frequency or at none;
    cos(4 pi df L / c) at two frequencies over the electrical length ``length_m`` that both state, else 0.
    """
    if not first.shared or first.shared != second.shared:
        return 0.0
    if first.frequency_hz == second.frequency_hz:
        return 1.0
    if first.frequency_hz is None or second.frequency_hz is None:
        return 0.0
    if first.length_m is None or first.length_m != second.length_m:
        return 0.0
    apart_hz = first.frequency_hz - second.frequency_hz
    return math.cos(4 * math.pi * apart_hz * first.length_m / LIGHT_M_S)


def correlation_matrix(
    lines: Sequence[BudgetLine], correlations: Mapping[tuple[int, int], float] | None = None
) -> NDArray[np.float64]:
    """Return the correlation matrix of lines: what is stated, else what their shared causes imply.

    Raises ``UncertaintyError`` when a coefficient lies outside -1..1 or no quantities can be so correlated
    (the matrix is not positive semidefinite).
    """
    matrix = np.eye(len(lines))
    for i, first in enumerate(lines):
        if first.shared:
            for j in range(i + 1, len(lines)):
                matrix[i, j] = matrix[j, i] = line_correlation(first, lines[j])
    for (i, j), r in (correlations or {}).items():
        if not -1 <= r <= 1:
            raise UncertaintyError(f"a correlation coefficient lies in -1..1, not at {r}")
        matrix[i, j] = matrix[j, i] = r
    if np.count_nonzero(matrix) > len(lines) and float(np.linalg.eigvalsh(matrix)[0]) < -1e-9:
        tied = [line.quantity for line, row in zip(lines, matrix, strict=True) if np.count_nonzero(row) > 1]
        raise UncertaintyError(
            f"the correlations between {', '.join(tied)} contradict each other"
            " (the correlation matrix is not positive semidefinite)",
            next_step="two quantities that both follow a third follow each other: check the coefficients",
        )
    return matrix


def result_correlation(
    first: Sequence[float], second: Sequence[float], matrix: NDArray[np.float64] | None = None
) -> float:
    """Return the correlation of two results from their contributions c_i u_i of the same quantities.

    ``matrix`` is the correlation of the quantities, independent when ``None`` (JCGM 100, F.1.2.3 and H.2.4).
    Two results of which one is exact have correlation 0.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    ties = np.eye(len(a)) if matrix is None else matrix
    scale = float((a @ ties @ a) * (b @ ties @ b))
    return float(np.clip(a @ ties @ b / math.sqrt(scale), -1.0, 1.0)) if scale > 0 else 0.0


def correlate(first: Sequence[BudgetLine], second: Sequence[BudgetLine]) -> float:
    """Return the correlation, -1..1, of two readings with these budget lines, from the causes they share."""
    lines = (*first, *second)
    zeros_first, zeros_second = [0.0] * len(first), [0.0] * len(second)
    return result_correlation(
        [line.contribution for line in first] + zeros_second,
        zeros_first + [line.contribution for line in second],
        correlation_matrix(lines),
    )


def difference(first: Budget, second: Budget, unit: str) -> Budget:
    """Return the budget of the first reading minus the second, in ``unit`` (dBc = product - tone).

    A cause that both share becomes one line: it cancels where it acts on both alike (its sensitivity is then
    0, and the line stays to say so), and a ripple is left in so far as the two lie apart. What only one of
    them has stays, and is turned round for the second.
    """
    partners = _partners(first, second)
    merged = [
        _merged(line, second.lines[partners[index]]) if index in partners else line
        for index, line in enumerate(first.lines)
    ]
    places = {of_second: of_first for of_first, of_second in partners.items()}
    own = [index for index in range(len(second.lines)) if index not in places]
    places |= {index: len(merged) + number for number, index in enumerate(own)}
    turned = [replace(second.lines[index], sensitivity=-second.lines[index].sensitivity) for index in own]
    lines = (*merged, *turned)
    pairs = dict(first.correlations)
    for (i, j), r in second.correlations.items():
        low, high = sorted((places[i], places[j]))
        pairs[low, high] = r
    # What cancels follows nothing any more: kept, it could tie lines that lie at two carriers to each other.
    pairs = {at: r for at, r in pairs.items() if all(lines[index].sensitivity for index in at)}
    return Budget(unit=unit, lines=lines, correlations=pairs)


def _partners(first: Budget, second: Budget) -> dict[int, int]:
    """Return for line numbers of the first the line of the second with which one line can stand for both.

    That is exact for a cause that both share fully, and for a ripple: the difference of two sinusoids of one
    unknown phase is a sinusoid. A ripple that its own budget ties to another line stays as it is.
    """
    tied_first = {index for pair in first.correlations for index in pair}
    tied_second = {index for pair in second.correlations for index in pair}
    found: dict[int, int] = {}
    for i, line in enumerate(first.lines):
        for j, other in enumerate(second.lines):
            tied = i in tied_first or j in tied_second
            if j not in found.values() and _mergeable(line, other, tied=tied):
                found[i] = j
                break
    return found


# All that ``mismatch_line`` gives: whatever is known of the magnitudes, both readings have the same
# ones, so the difference of two ripples has the shape of each.
_RIPPLES = frozenset(
    {
        Distribution.NORMAL,
        Distribution.ARCSINE,
        Distribution.SEMICIRCLE,
        Distribution.TWO_DISCS,
        Distribution.ONE_MAGNITUDE,
        Distribution.DISC_AND_MAGNITUDE,
        Distribution.TWO_MAGNITUDES,
    }
)


def _mergeable(line: BudgetLine, other: BudgetLine, *, tied: bool) -> bool:
    if line.unit != other.unit or line.distribution is not other.distribution:
        return False
    r = line_correlation(line, other)
    return r == 1.0 or (r != 0.0 and line.distribution in _RIPPLES and not tied)


def _merged(line: BudgetLine, other: BudgetLine) -> BudgetLine:
    r = line_correlation(line, other)
    known: dict[str, Any] = {
        "degrees_of_freedom": min(line.degrees_of_freedom, other.degrees_of_freedom),
        "stated": line.stated and other.stated,
    }
    if r == 1.0:
        if line.standard == 0.0 < other.standard:
            return replace(other, sensitivity=-other.sensitivity, **known)
        left = line.sensitivity - other.sensitivity * _ratio(other.standard, line.standard)
        words = "cancels: both readings share it" if left == 0 else "both readings share it"
        return replace(line, sensitivity=left, source=f"{line.source} ({words})", **known)
    a, b = line.contribution, other.contribution
    standard = math.sqrt(max(a * a + b * b - 2 * r * a * b, 0.0))
    return replace(
        line,
        standard=standard,
        sensitivity=1.0,
        half_width=None if line.half_width is None else standard * line.divisor,
        shared="",
        source=f"{line.source} (what is left of it between two readings that share it, r = {r:.2f})",
        **known,
    )


def _ratio(standard: float, reference: float) -> float:
    return standard / reference if reference else 1.0
