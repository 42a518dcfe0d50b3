"""Correlations that a bench file states between two of its figures, and where they count in a budget.

Two figures share a cause that the file does not show otherwise: two cables measured with one analyser, a
level and a loss traced to one power meter. A coefficient says how far their errors follow each other.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from hilkit.bench.correlation_entries import CorrelationEntry
from hilkit.files.notes import Notes, did_you_mean, listed
from hilkit.readings import Budget, BudgetLine

if TYPE_CHECKING:
    from hilkit.bench.path import Path
    from hilkit.bench.spec import InstrumentSpec

__all__ = ["CORRELATED_KEYS", "StatedCorrelation", "correlated", "figures_of", "read_correlations"]

CORRELATED_KEYS = (
    "level",
    "linearity_per_10db",
    "attenuation_switching",
    "rbw_switching",
    "reference_level",
    "attenuation",
    "reference",
    "span_axis",
    "noise_bandwidth",
)
"""Figures of an instrument with one error that stays. What scatters or differs from reading to reading
(repeatability, resolution, linearity, flatness) follows nothing."""


@dataclass(frozen=True, kw_only=True)
class StatedCorrelation:
    """The coefficient between two figures, each by the source that its budget lines name."""

    first: str
    second: str
    coefficient: float


def figures_of(instruments: Mapping[str, InstrumentSpec], paths: Mapping[str, Path]) -> dict[str, str]:
    """Return the names by which a bench file can tell its figures, with the source of their budget lines."""
    found = {}
    for spec in instruments.values():
        for key in CORRELATED_KEYS:
            figure = spec.figure(key)
            if figure is not None:
                found[f"{spec.name}.{key}"] = figure.source
    for path in paths.values():
        for element in path.elements:
            if element.uncertainty is not None:
                found[element.label] = element.uncertainty.source
    return found


def read_correlations(
    entries: Sequence[CorrelationEntry], figures: Mapping[str, str], notes: Notes
) -> tuple[StatedCorrelation, ...]:
    """Return what is stated, with the mistakes noted: unknown names, pairs told twice, contradictions."""
    found: dict[int, StatedCorrelation] = {}
    for number, entry in enumerate(entries):
        stated = _read(number, entry, figures, tuple(found.values()), notes)
        if stated is not None:
            found[number] = stated
    everything = tuple(found.values())
    wrong = len(found)
    while wrong and _contradicts(everything[:wrong]):
        wrong -= 1
    if wrong < len(found):
        number = list(found)[wrong]
        notes.add(
            ("correlations", number, "coefficient"),
            "this coefficient contradicts the others; two figures without one count as independent",
            seen=f"{entries[number].coefficient:g}",
            next_step="two figures that both follow a third follow each other: state how far they do",
        )
    return everything


def _read(
    number: int,
    entry: CorrelationEntry,
    figures: Mapping[str, str],
    before: Sequence[StatedCorrelation],
    notes: Notes,
) -> StatedCorrelation | None:
    at, names = ("correlations", number, "between"), entry.between
    if len(names) != 2 or names[0] == names[1]:
        message = "a correlation is one between two different figures"
        notes.add(at, message, seen=listed(names), allowed="two names, such as [coupler 1, 3 dB pad]")
        return None
    unknown = [place for place, name in enumerate(names) if name not in figures]
    for place in unknown:
        notes.add(
            (*at, place),
            f"there is no figure {names[place]!r} that a correlation can name",
            allowed=listed(figures, nothing="nothing: this bench file states no such figure"),
            next_step=did_you_mean(names[place], figures),
        )
    if unknown:
        return None
    first, second = (figures[name] for name in names)
    if any({first, second} == {each.first, each.second} for each in before):
        notes.add(at, "these two have a coefficient already", seen=listed(names))
        return None
    return StatedCorrelation(first=first, second=second, coefficient=entry.coefficient)


def _contradicts(stated: Sequence[StatedCorrelation]) -> bool:
    """Tell whether no quantities can be so correlated: the matrix is not positive semidefinite."""
    names = list(dict.fromkeys(name for each in stated for name in (each.first, each.second)))
    matrix = np.eye(len(names))
    for each in stated:
        i, j = names.index(each.first), names.index(each.second)
        matrix[i, j] = matrix[j, i] = each.coefficient
    return float(np.linalg.eigvalsh(matrix)[0]) < -1e-9


def correlated(unit: str, lines: Sequence[BudgetLine], stated: Sequence[StatedCorrelation]) -> Budget:
    """Return the budget of ``lines`` with what is stated between those of them that come from such figures.

    Two lines of one figure that count as two errors (a pad at two settings) both follow the other figure, and
    so follow each other by the square of the coefficient.
    """
    if not stated:
        return Budget(unit=unit, lines=tuple(lines))
    pairs: dict[tuple[int, int], float] = {}
    for each in stated:
        first, second = (_places(lines, source) for source in (each.first, each.second))
        for i in first:
            for j in second:
                pairs[min(i, j), max(i, j)] = each.coefficient
        for same in (first, second) if first and second else ():
            for i, j in combinations(same, 2):
                pairs[i, j] = max(pairs.get((i, j), 0.0), each.coefficient**2)
    return Budget(unit=unit, lines=tuple(lines), correlations=pairs)


def _places(lines: Sequence[BudgetLine], source: str) -> list[int]:
    return [index for index, line in enumerate(lines) if line.source == source and line.stated]
