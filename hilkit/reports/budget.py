"""The uncertainty of one reading, laid open: its budget, what was made of it, what would halve it."""

from __future__ import annotations

import math

from hilkit.judgement import StatedDecision, StatedUncertainty, Uncertainty, combine, numerical_tolerance
from hilkit.judgement.montecarlo import RIPPLES
from hilkit.judgement.shrink import Halving, halving, shares
from hilkit.quantities import difference_unit
from hilkit.readings import Budget, BudgetLine, Distribution, Verdict
from hilkit.record import StoredReading
from hilkit.reports.lines import Line, figure_text, line, value_text, wrapped
from hilkit.reports.rows import at_most, margin_text, percent
from hilkit.reports.table import table

__all__ = ["choices_block", "explanation_block"]

_HEADING = ("quantity", "figure", "divisor", "sensitivity", "contribution", "share", "dof")
_RIGHT = (1, 2, 3, 4, 5, 6)
_MANY = 12
_SMALL = 0.2
"""Of more than twelve lines those below a fifth of the largest are told in one sentence: together they count
for little."""


def explanation_block(reading: StoredReading, *, width: int, every: bool = False) -> list[Line]:
    """Return what the record says of how sure a reading is; with ``every`` line, also the smallest."""
    lines = wrapped(str(reading.key), width=width, hanging="  ", style="heading")
    lines += wrapped(
        f"= {value_text(reading.value, reading.unit)}{_expanded(reading)}", width=width, indent="  "
    )
    lines += _about(reading, width)
    if reading.comparison is not None:
        distance = reading.comparison
        told = f"judged: its distance from {distance.to}, {value_text(distance.value, distance.unit)}"
        lines += wrapped(told, width=width, indent="  ", hanging="    ")
    budget = reading.comparison.budget if reading.comparison is not None else reading.budget
    stated = reading.comparison.uncertainty if reading.comparison is not None else reading.uncertainty
    if budget is None or stated is None:
        told = "no uncertainty budget was recorded for this reading: how sure it is, nobody can say from it"
        return lines + wrapped(told, width=width, indent="  ", hanging="    ", style="inconc")
    return [*lines, line(), *_table(budget, width, every), line(), *_combined(budget, stated, width)]


def choices_block(name: str, readings: list[StoredReading], *, width: int) -> list[Line]:
    """Return the readings that a name can mean, each with its number in the record."""
    head = f"{name} can be any of {len(readings)} readings; name one by its number, or narrow it with --at:"
    lines = wrapped(head, width=width, hanging="  ")
    for reading in readings:
        told = f"{reading.number:>6}  {reading.key} = {value_text(reading.value, reading.unit)}"
        lines += wrapped(told.lstrip(), width=width, indent="  ", hanging="          ")
    return lines


def _expanded(reading: StoredReading) -> str:
    stated = reading.uncertainty
    if stated is None or stated.unknown or not stated.standard:
        return ""
    return f" +- {figure_text(stated.expanded, stated.unit)} ({100 * stated.probability:g} %)"


def _about(reading: StoredReading, width: int) -> list[Line]:
    told = []
    if reading.bound != "exact":
        article = "an" if reading.bound[0] in "aeiou" else "a"
        told.append(f"the value is {article} {reading.bound} of the quantity")
    if reading.limit:
        margin = f", margin {margin_text(reading)}" if reading.margin is not None else ""
        told.append(f"limit {reading.limit}{margin}: {reading.verdict}")
    told += _decision(reading)
    told += [text for text in (reading.reason, reading.note) if text]
    return [item for text in told for item in wrapped(text, width=width, indent="  ", hanging="    ")]


def _decision(reading: StoredReading) -> list[str]:
    decision = reading.decision
    if decision is None:
        return []
    told = f"decision rule: {decision.rule}"
    if decision.guard_band:
        told += f", guard band {figure_text(decision.guard_band, difference_unit(reading.unit))}"
    told += "".join(f"; {text}" for text in _risks(decision, reading.verdict))
    return [told if decision.sure else f"{told}; uncertainty not stated"]


def _risks(decision: StatedDecision, verdict: Verdict) -> list[str]:
    """Say the risk of the decision taken, then what the other one would have risked."""
    accepting, rejecting = decision.false_acceptance, decision.false_rejection
    shown = at_most if decision.at_most else percent
    accepted = [] if accepting is None else [f"probability of false acceptance {shown(accepting)}"]
    rejected = [] if rejecting is None else [f"probability of false rejection {shown(rejecting)}"]
    if_accepted = [f"had it been accepted, {text}" for text in accepted]
    if_rejected = [f"had it been rejected, {text}" for text in rejected]
    if verdict is Verdict.PASS:
        return accepted + if_rejected
    return (rejected if verdict is Verdict.FAIL else if_rejected) + if_accepted


# --- the table


def _table(budget: Budget, width: int, every: bool) -> list[Line]:
    if not budget.lines:
        return [line("  nothing is in doubt: the value is counted, or a state", "quiet")]
    parts = shares(budget)
    order = sorted(
        range(len(budget.lines)),
        key=lambda i: (-abs(budget.lines[i].contribution), budget.lines[i].stated),
    )
    shown = order if every else _large(budget, order)
    rows, below = [], []
    for index in shown:
        each = budget.lines[index]
        rows.append(_row(each, parts[index], budget.unit))
        told = f"{each.distribution}; {each.source}" if each.stated else each.source
        below.append(wrapped(told, width=width, indent="      ", style="quiet"))
    lines = table(_HEADING, rows, width=width, right=_RIGHT, below=below)
    return lines + _small(budget, order[len(shown) :], width) + _correlated(budget, width)


def _large(budget: Budget, order: list[int]) -> list[int]:
    """Return the lines to show one by one; ``order`` is largest first, what nobody has stated last."""
    sizes = [abs(budget.lines[index].contribution) for index in order]
    least = _SMALL * sizes[0] if len(order) > _MANY else 0.0
    return [index for index, size in zip(order, sizes, strict=True) if size > least or not least]


def _small(budget: Budget, left: list[int], width: int) -> list[Line]:
    lines = [budget.lines[index] for index in left]
    groups = {
        "not stated by anybody": [each for each in lines if not each.stated],
        "cancels": [each for each in lines if each.stated and each.contribution == 0],
        f"below {100 * _SMALL:g} % of the largest, shown with --all": [
            each for each in lines if each.contribution
        ],
    }
    told = [
        f"{words}: {', '.join(dict.fromkeys(each.quantity for each in group))}"
        for words, group in groups.items()
        if group
    ]
    return [
        item
        for text in told
        for item in wrapped(text, width=width, indent="  ", hanging="    ", style="quiet")
    ]


def _row(each: BudgetLine, share: float, unit: str) -> tuple[str, ...]:
    figure = figure_text(each.standard, each.unit)
    if each.half_width is not None:
        figure = f"+-{figure_text(each.half_width, each.unit)}"
    freedom = "" if math.isinf(each.degrees_of_freedom) else f"{each.degrees_of_freedom:.3g}"
    if not each.stated:
        return (each.quantity, "not stated", "", "", "?", "", "")
    return (
        each.quantity,
        figure,
        f"{each.divisor:.2f}",
        f"{each.sensitivity:.3g}",
        figure_text(abs(each.contribution), difference_unit(unit)),
        f"{100 * share:.1f} %",
        freedom or "inf",
    )


def _correlated(budget: Budget, width: int) -> list[Line]:
    told = [
        f"{budget.lines[i].quantity} and {budget.lines[j].quantity}: r = {r:.2f}"
        for (i, j), r in budget.correlations.items()
    ]
    if not told:
        return []
    return wrapped(f"correlated: {'; '.join(told)}", width=width, indent="  ", hanging="    ")


# --- what was made of it


def _combined(budget: Budget, stated: StatedUncertainty, width: int) -> list[Line]:
    unit = stated.unit
    told = []
    if stated.standard:
        freedom = stated.degrees_of_freedom
        dof = "unlimited" if math.isinf(freedom) else f"{freedom:.0f}"
        told = [
            f"standard uncertainty {figure_text(stated.standard, unit)}, effective degrees of freedom {dof}",
            f"k = {stated.coverage_factor:.2f} by {stated.method}:"
            f" U = {figure_text(stated.expanded, unit)} ({100 * stated.probability:g} %)",
            f"interval: the value {_signed(stated.interval[0], unit)} to {_signed(stated.interval[1], unit)}",
        ]
    lines = [item for text in told for item in wrapped(text, width=width, indent="  ", hanging="    ")]
    warnings = [stated.warning] if stated.warning else []
    if stated.missing:
        warnings.append(f"the uncertainty is incomplete, and so too small: {'; '.join(stated.missing)}")
    for text in warnings:
        lines += wrapped(f"warning: {text}", width=width, indent="  ", hanging="    ", style="inconc")
    if stated.standard and not stated.warning:
        lines += wrapped(_both(budget, stated), width=width, indent="  ", hanging="    ", style="quiet")
    return lines + _halved(budget, stated, width)


def _signed(value: float, unit: str) -> str:
    return f"{'-' if value < 0 else '+'}{figure_text(abs(value), unit)}"


def _both(budget: Budget, stated: StatedUncertainty) -> str:
    """Compare with the other method (JCGM 101, 8.1), which the record need not have used."""
    law = combine(budget, probability=stated.probability, method="law of propagation")
    trials: Uncertainty = combine(budget, probability=stated.probability, method="Monte Carlo")
    apart = abs(law.expanded - trials.expanded)
    tolerance = numerical_tolerance(stated.standard)
    word, digits, tied = "agree within", 2, ""
    if apart > tolerance:
        word, digits = "differ by more than", 3
        if sum(each.distribution in RIPPLES for each in budget.lines) >= 3:
            tied = "; Monte Carlo takes the three largest ripples as tied, the worst that they can be"
    return (
        f"law of propagation U = {figure_text(law.expanded, stated.unit, digits)},"
        f" Monte Carlo U = {figure_text(trials.expanded, stated.unit, digits)}: they {word} the numerical"
        f" tolerance of {figure_text(tolerance, stated.unit)} (JCGM 101, 8.1){tied}"
    )


def _halved(budget: Budget, stated: StatedUncertainty, width: int) -> list[Line]:
    found = halving(budget)
    if found is None:
        return []
    lines = [line(), line("  what would halve it", "heading")]
    texts = [_shrunk(budget.lines[i], f) for i, f in zip(found.lines, found.factors, strict=True)]
    for text in texts:
        lines += wrapped(text, width=width, indent="    ", hanging="      ")
    lines += wrapped(_outcome(budget, stated, found), width=width, indent="    ", hanging="      ")
    return lines


def _shrunk(each: BudgetLine, factor: float) -> str:
    if each.distribution in (Distribution.NORMAL, Distribution.STUDENT) and each.half_width is None:
        smaller = figure_text(each.standard / factor, each.unit)
        if math.isfinite(each.degrees_of_freedom):
            return f"{each.quantity}: down to {smaller}, by {factor**2:.2g} times as many averages"
        return f"{each.quantity}: down to {smaller} from {figure_text(each.standard, each.unit)}"
    width = each.half_width if each.half_width is not None else each.standard
    return (
        f"{each.quantity}: down to +-{figure_text(width / factor, each.unit)}"
        f" from +-{figure_text(width, each.unit)}"
    )


def _outcome(budget: Budget, stated: StatedUncertainty, found: Halving) -> str:
    then = f"then U = {figure_text(found.expanded, stated.unit)}"
    if len(found.lines) == 1:
        return f"{then}; this line alone is enough"
    largest = budget.lines[found.lines[0]].quantity
    alone = figure_text(found.without_largest, stated.unit)
    honest = f"no single line is enough: without {largest} altogether {alone} standard would stay"
    if len(found.lines) > 3:
        honest += "; so many at once is hardly within reach: think of another method or a wider limit"
    return f"all of them, {then}; {honest}"
