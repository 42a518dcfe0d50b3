"""The distance of a reading from another one, for limits that are on that distance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from hilkit.judgement.correlation import difference
from hilkit.judgement.limit import Reference
from hilkit.quantities import difference_unit
from hilkit.readings import Bound, Reading, ReadingKey

__all__ = ["distance_from", "other_reading"]

# What bounds a - b where a and b are known as (row, column): an upper bound less a lower one is an upper one.
_BOUNDS = {
    (Bound.EXACT, Bound.EXACT): Bound.EXACT,
    (Bound.UPPER, Bound.EXACT): Bound.UPPER,
    (Bound.LOWER, Bound.EXACT): Bound.LOWER,
    (Bound.EXACT, Bound.UPPER): Bound.LOWER,
    (Bound.EXACT, Bound.LOWER): Bound.UPPER,
    (Bound.UPPER, Bound.LOWER): Bound.UPPER,
    (Bound.LOWER, Bound.UPPER): Bound.LOWER,
}


def other_reading(
    key: ReadingKey, reference: Reference, others: Mapping[ReadingKey, Reading]
) -> Reading | None:
    """Return the reading that ``reference`` names for the reading ``key``, ``None`` if it was not taken."""
    wanted = replace(
        key,
        step=reference.step or key.step,
        name=reference.name,
        phase=reference.phase,
        index=key.index if reference.series else None,
    )
    return others.get(wanted)


def distance_from(reading: Reading, other: Reading) -> Reading | None:
    """Return ``reading`` less ``other`` as a reading of its own, ``None`` where two bounds leave it open.

    What both budgets share cancels; the evidence of both counts. The distance of two bounds states no
    confidence of its own.
    """
    bound = _BOUNDS.get((reading.bound, other.bound))
    if bound is None:
        return None
    unit = difference_unit(reading.unit)
    known = reading.budget is not None and other.budget is not None
    return replace(
        reading,
        value=reading.value - other.value,
        unit=unit,
        bound=bound,
        confidence=_confidence(reading, other),
        evidence=(*reading.evidence, *other.evidence),
        budget=difference(reading.budget, other.budget, unit) if known else None,  # type: ignore[arg-type]
    )


def _confidence(reading: Reading, other: Reading) -> float | None:
    bounds = [each for each in (reading, other) if each.bound is not Bound.EXACT]
    return bounds[0].confidence if len(bounds) == 1 else None
