"""The readings of a step as rows of a table: one for a reading, one for a series with its worst member."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from itertools import groupby

from hilkit.quantities import difference_unit
from hilkit.readings import Bound, Verdict
from hilkit.record import Outcome, ReadingTaken, StoredReading, StoredStep
from hilkit.reports.lines import Line, clock_text, value_text
from hilkit.reports.table import table

__all__ = ["closest", "reading_of", "reading_table", "step_word", "took_text"]

_HEADING = ("reading", "value", "limit", "margin", "verdict")
_RIGHT = (1, 3)
_OF_ZERO = re.compile(r" of 0( \S+)?$")  # "within 0.25 dB" says the same
_BOUND_SIGN = {Bound.EXACT: "", Bound.UPPER: "<= ", Bound.LOWER: ">= "}


def reading_of(event: ReadingTaken) -> StoredReading:
    """Return the reading of an event in the form in which a record gives it back."""
    reading = event.reading
    return StoredReading(
        number=0,
        key=reading.key,
        value=reading.value,
        unit=reading.unit,
        bound=reading.bound,
        confidence=reading.confidence,
        note=reading.note,
        verdict=event.verdict,
        limit=event.limit,
        margin=event.margin,
        reason=event.reason,
        evidence=reading.evidence,
        budget=reading.budget,
        trace=None,
        at_s=event.at_s,
    )


def reading_table(readings: Sequence[StoredReading], *, width: int, indent: int = 2) -> list[Line]:
    """Return the table of a step's readings with limit, margin and verdict; no lines where there are none."""
    rows = [_row(group) for group in _groups(readings)]
    return table(_HEADING, rows, width=width, indent=indent, right=_RIGHT) if rows else []


def step_word(step: StoredStep) -> str:
    """Return the one word that says what came of a step: its verdict, or how far it came."""
    return str(step.outcome) if step.outcome in (Outcome.SKIPPED, Outcome.PLANNED) else str(step.verdict)


def took_text(step: StoredStep) -> str:
    """Return the bench time that the step took."""
    return clock_text(step.took_s) if step.outcome in (Outcome.DONE, Outcome.ERROR) else ""


def closest(readings: Iterable[StoredReading]) -> StoredReading | None:
    """Return the reading of the worst verdict and least margin; ``None`` if none was judged."""
    judged = [reading for reading in readings if reading.verdict is not Verdict.NONE]
    return max(judged, key=_rank, default=None)


def margin_text(reading: StoredReading) -> str:
    """Return the distance to the limit with its sign and unit."""
    if reading.margin is None:
        return ""
    text = value_text(reading.margin, difference_unit(reading.unit))
    return text if text.startswith("-") else f"+{text}"


def _rank(reading: StoredReading) -> tuple[int, float]:
    return list(Verdict).index(reading.verdict), -(math.inf if reading.margin is None else reading.margin)


def _groups(readings: Sequence[StoredReading]) -> list[list[StoredReading]]:
    """Put the members of a series together, in the order in which each series was begun."""
    order = {(item.key.name, item.key.phase): number for number, item in reversed(list(enumerate(readings)))}
    in_order = sorted(readings, key=lambda item: order[item.key.name, item.key.phase])
    return [list(group) for _, group in groupby(in_order, key=lambda item: (item.key.name, item.key.phase))]


def _row(group: list[StoredReading]) -> tuple[str, ...]:
    worst = closest(group)
    if len(group) > 1 and worst is None:
        low, high = min(item.value for item in group), max(item.value for item in group)
        unit = group[0].unit
        span = f"{value_text(low, unit)} to {value_text(high, unit)}, {len(group)} readings"
        return (_name(group[0], index=False), span, str(Verdict.NONE))
    item = worst or group[0]
    name = _name(item) if len(group) == 1 else f"{_name(item)}, worst of {len(group)}"
    value = _BOUND_SIGN[item.bound] + value_text(item.value, item.unit)
    return (name, value, _OF_ZERO.sub("", item.limit), margin_text(item), str(item.verdict))


def _name(reading: StoredReading, *, index: bool = True) -> str:
    name = f"{reading.key.name} {reading.key.phase}".rstrip()
    return f"{name} [{reading.key.index:g}]" if index and reading.key.index is not None else name
