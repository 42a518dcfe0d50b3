"""The readings of a step as rows of a table: one for a reading, one for a series with its worst member."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import groupby

from hilkit.judgement import StatedDecision, StatedUncertainty
from hilkit.quantities import difference_unit
from hilkit.readings import Bound, Verdict
from hilkit.record import Outcome, ReadingJudged, ReadingTaken, StoredReading, StoredStep
from hilkit.reports.lines import Line, clock_text, figure_text, value_text, wrapped
from hilkit.reports.table import table

__all__ = [
    "at_most",
    "by_standard",
    "closest",
    "expanded_text",
    "judged_again",
    "margin_text",
    "percent",
    "reading_of",
    "reading_table",
    "risk_text",
    "step_word",
    "took_text",
]

_HEADING = ("reading", "value", "limit", "margin", "verdict")
_RIGHT = (1, 3)
_SURE_HEADING = ("reading", "value", "U (95 %)", "limit", "margin", "risk", "verdict")
_SURE_RIGHT = (1, 2, 4, 5)
_FEW = 3
_ORIGIN = re.compile(r" \[([^]]*)\]$")  # where a published limit stands: told below the table
_AGAINST = re.compile(r" against .*$")  # which reading that is, the plan says
_MASK = re.compile(r"^mask: .*?(?=( rel\.)?$)")  # the whole of it stands in the plan
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
        uncertainty=event.uncertainty,
        decision=event.decision,
        comparison=event.comparison,
    )


def judged_again(reading: StoredReading, event: ReadingJudged) -> StoredReading:
    """Return a reading with the judgement of a later event."""
    return replace(
        reading,
        verdict=event.verdict,
        limit=event.limit,
        margin=event.margin,
        reason=event.reason,
        decision=event.decision,
        comparison=event.comparison,
    )


def reading_table(readings: Sequence[StoredReading], *, width: int, indent: int = 2) -> list[Line]:
    """Return the table of a step's readings with limit, margin and verdict; no lines where there are none.

    Where an uncertainty is known, U stands beside the value and the risk of a wrong verdict beside it.
    What is missing in the uncertainties is told below, and where law and Monte Carlo differ on one that was
    judged.
    """
    groups = _groups(readings)
    if not groups:
        return []
    sure = any(_compared(item) is not None for item in readings)
    rows = [_row(group, sure=sure) for group in groups]
    heading, right = (_SURE_HEADING, _SURE_RIGHT) if sure else (_HEADING, _RIGHT)
    return table(heading, rows, width=width, indent=indent, right=right) + _below(readings, width, indent)


def expanded_text(uncertainty: StatedUncertainty | None) -> str:
    """Return the expanded uncertainty; ``>`` before one that lacks a part, ``?`` where all are missing.

    Nothing for what is exact: a count, a state.
    """
    if uncertainty is None or uncertainty.exact:
        return ""
    if uncertainty.unknown:
        return "?"
    text = figure_text(uncertainty.expanded, uncertainty.unit)
    return f"> {text}" if uncertainty.missing else text


def risk_text(verdict: Verdict, decision: StatedDecision | None) -> str:
    """Return the risk of the decision taken (JCGM 106:2012, 9.3.1, for this one value).

    PFA, the probability of false acceptance, with a pass, and with an inconc what accepting would risk; PFR,
    that of false rejection, with a fail.
    """
    if decision is None:
        return ""
    if not decision.sure:
        return "not stated"
    rejected = verdict is Verdict.FAIL
    risk = decision.false_rejection if rejected else decision.false_acceptance
    if risk is None:
        return ""
    return f"{'PFR' if rejected else 'PFA'} {at_most(risk) if decision.at_most else percent(risk)}"


def at_most(probability: float) -> str:
    """Return a probability in percent that is the most it can be."""
    text = percent(probability)
    return text if text.startswith("<") else f"<= {text}"


def percent(probability: float | None) -> str:
    """Return a probability in percent, short; nothing for ``None``."""
    if probability is None:
        return ""
    if probability < 1e-4:
        return "< 0.01 %"
    if probability > 1 - 1e-4:
        return "> 99.99 %"
    return f"{100 * probability:.2g} %" if probability < 0.5 else f"{100 * probability:.4g} %"


def _compared(reading: StoredReading) -> StatedUncertainty | None:
    """Return the uncertainty of what was judged: of the distance where the limit is on that."""
    if reading.comparison is not None:
        return reading.comparison.uncertainty
    return reading.uncertainty


def _distances(readings: Sequence[StoredReading]) -> list[str]:
    """Tell the distance of each reading whose limit is on that, with its own uncertainty."""
    told = []
    for item in readings:
        if item.comparison is not None:
            expanded = expanded_text(item.comparison.uncertainty)
            surely = f", U {expanded}" if expanded else ""
            far = value_text(item.comparison.value, item.comparison.unit)
            told.append(f"judged: {_name(item)} less {item.comparison.to} = {far}{surely}")
    return told


def _below(readings: Sequence[StoredReading], width: int, indent: int) -> list[Line]:
    told = [text for item in readings if item.uncertainty for text in item.uncertainty.missing]
    texts = [("quiet", f"U is incomplete: {_few(told, '; ')}")] if told else []
    unsure = [_name(item, index=False) for item in readings if item.decision and not item.decision.sure]
    if unsure:
        texts.append(("inconc", f"uncertainty not stated: {_few(unsure, ', ')}"))
    warned: dict[str, list[str]] = {}
    for item in readings:
        compared = _compared(item)
        if item.decision is not None and compared is not None and compared.short_warning:
            warned.setdefault(compared.short_warning, []).append(_name(item, index=False))
    texts += [("quiet", f"warning, {warning}: U of {_few(names, ', ')}") for warning, names in warned.items()]
    texts += [("quiet", text) for text in (*_distances(readings), *_origins(readings))]
    return [
        piece
        for style, text in texts
        for piece in wrapped(text, width=width, indent=" " * indent, hanging=" " * (indent + 2), style=style)
    ]


def by_standard(reading: StoredReading) -> bool:
    """Return whether the limit of a reading is one that a standard publishes."""
    return _ORIGIN.search(reading.limit) is not None


def _origins(readings: Sequence[StoredReading]) -> list[str]:
    """Return where each published limit stands, with the readings that it is on."""
    found: dict[str, list[str]] = {}
    for item in readings:
        if origin := _ORIGIN.search(item.limit):
            found.setdefault(origin[1], []).append(_name(item, index=False))
    return [f"limit of {_few(names, ', ')}: {origin}" for origin, names in found.items()]


def _few(texts: Iterable[str], between: str) -> str:
    parts = list(dict.fromkeys(texts))
    more = f" and {len(parts) - _FEW} more" if len(parts) > _FEW else ""
    return f"{between.join(parts[:_FEW])}{more}"


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


def _row(group: list[StoredReading], *, sure: bool) -> tuple[str, ...]:
    worst = closest(group)
    if len(group) > 1 and worst is None:
        low, high = min(item.value for item in group), max(item.value for item in group)
        unit = group[0].unit
        span = f"{value_text(low, unit)} to {value_text(high, unit)}, {len(group)} readings"
        return (_name(group[0], index=False), span, str(Verdict.NONE))
    item = worst or group[0]
    name = _name(item) if len(group) == 1 else f"{_name(item)}, worst of {len(group)}"
    value = _BOUND_SIGN[item.bound] + value_text(item.value, item.unit)
    limit = _MASK.sub("mask", _OF_ZERO.sub("", _AGAINST.sub(" rel.", _ORIGIN.sub("", item.limit))))
    if not sure:
        return (name, value, limit, margin_text(item), str(item.verdict))
    compared = _compared(item)
    exact = compared is not None and compared.exact
    risk = "" if exact else risk_text(item.verdict, item.decision)
    return (name, value, expanded_text(item.uncertainty), limit, margin_text(item), risk, str(item.verdict))


def _name(reading: StoredReading, *, index: bool = True) -> str:
    name = f"{reading.key.name} {reading.key.phase}".rstrip()
    return f"{name} [{reading.key.index:g}]" if index and reading.key.index is not None else name
