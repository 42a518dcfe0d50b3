"""Compares two records of the same plan apart from times."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from hilkit.readings import Budget, Evidence
from hilkit.record.read import load_trace
from hilkit.record.stored import StoredReading, StoredRun, StoredStep

__all__ = ["differences"]

_RUN = (
    "plan_name",
    "plan_slug",
    "plan_digest",
    "bench_name",
    "simulated",
    "seed",
    "hilkit_version",
    "chosen",
    "rule",
    "expired_allowed",
    "exit_code",
    "not_safe",
    "fingerprint",
    "choice",
    "facts",
)
_STEP = (
    "number",
    "combination",
    "vary",
    "step",
    "procedure",
    "procedure_version",
    "settings",
    "limits",
    "rule",
    "outcome",
    "verdict",
    "facts",
)
_READING = ("unit", "bound", "confidence", "verdict", "limit")
_NUMBERS = ("value", "margin", "evidence", "budget", "uncertainty", "decision", "comparison", "reason")
_TIME = re.compile(r"\d+(\.\d+)?(e[-+]?\d+)?(?= ?(s|ms|us|min|h)\b)")
_SECONDS = "s"


def differences(first: StoredRun, second: StoredRun, *, within_uncertainty: bool = False) -> list[str]:
    """Return a sentence on everything in which two records differ apart from times.

    Times are when something was done, how long it took, and readings in seconds with what follows from them.
    Numbers are equal to the last bit, sweeps among them. With ``within_uncertainty``, for two runs between
    which something drifts, a value may differ by as much as both expanded uncertainties together (their root
    sum of squares), a count not at all; evidence, budgets and sweeps are not compared.
    """
    told = [
        f"{name}: {_of(first, name)} and {_of(second, name)}" for name in _RUN if _differ(first, second, name)
    ]
    if len(first.steps) != len(second.steps):
        return [*told, f"{len(first.steps)} steps and {len(second.steps)}"]
    for one, other in zip(first.steps, second.steps, strict=True):
        where = f"step {one.number} {one.step}"
        told += [f"{where}: {text}" for text in _steps(first, second, one, other, loose=within_uncertainty)]
    return told


def _of(item: Any, name: str) -> str:
    text = repr(getattr(item, name))
    return text if len(text) <= 80 else f"{text[:77]}..."


def _differ(first: Any, second: Any, name: str) -> bool:
    return bool(getattr(first, name) != getattr(second, name))


def _steps(
    first: StoredRun, second: StoredRun, one: StoredStep, other: StoredStep, *, loose: bool
) -> Iterator[str]:
    for name in _STEP:
        if _differ(one, other, name) and not (loose and name == "verdict"):
            yield f"{name}: {_of(one, name)} and {_of(other, name)}"
    if not loose and _timeless(one.notes) != _timeless(other.notes):
        yield f"notes: {one.notes} and {other.notes}"
    if len(one.readings) != len(other.readings):
        yield f"{len(one.readings)} readings and {len(other.readings)}"
        return
    for left, right in zip(one.readings, other.readings, strict=True):
        for text in _within(left, right) if loose else _readings(first, second, left, right):
            yield f"{left.key}: {text}"


def _timeless(texts: tuple[str, ...]) -> list[str]:
    return [_TIME.sub("#", text) for text in texts]


def _same_place(one: StoredReading, other: StoredReading) -> bool:
    """Compare keys; an index that is no whole number is a time since something was begun."""
    left, right = one.key.index, other.key.index
    close = (
        left == right
        if left is None or right is None
        else math.isclose(left, right, rel_tol=0.0, abs_tol=1e-6)
    )
    return close and replace(one.key, index=None) == replace(other.key, index=None)


def _readings(first: StoredRun, second: StoredRun, one: StoredReading, other: StoredReading) -> Iterator[str]:
    if not _same_place(one, other):
        yield f"is {other.key} in the other"
        return
    for name in _READING:
        if _differ(one, other, name):
            yield f"{name}: {_of(one, name)} and {_of(other, name)}"
    if _timeless((one.note,)) != _timeless((other.note,)):
        yield f"note: {one.note!r} and {other.note!r}"
    if one.unit == _SECONDS:
        return
    for name in _NUMBERS:
        left, right = _plain(getattr(one, name)), _plain(getattr(other, name))
        if left != right:
            yield f"{name}: {left!r} and {right!r}"
    yield from _traces(first, second, one, other)


def _plain(value: Any) -> Any:
    """Return evidence without the times that its sentences tell."""
    if isinstance(value, tuple) and value and isinstance(value[0], Evidence):
        return [(e.name, e.held, *_timeless((e.observed, e.required, e.sentence))) for e in value]
    return value.to_data() if isinstance(value, Budget) else value


def _traces(first: StoredRun, second: StoredRun, one: StoredReading, other: StoredReading) -> Iterator[str]:
    if one.trace is None or other.trace is None:
        if one.trace is not other.trace:
            yield "one has a sweep, the other has none"
        return
    left, right = load_trace(first.path, one.trace), load_trace(second.path, other.trace)
    for name, value in vars(left).items():
        if not np.array_equal(value, getattr(right, name)):
            yield f"{name} of the sweep"


def _within(one: StoredReading, other: StoredReading) -> Iterator[str]:
    if not _same_place(one, other) or one.unit == _SECONDS:
        return
    both = [item.uncertainty for item in (one, other)]
    if any(item is not None and item.unknown for item in both):
        return
    allowed = math.hypot(*(item.expanded if item is not None else 0.0 for item in both))
    if abs(one.value - other.value) > allowed:
        yield f"{one.value:g} and {other.value:g} {one.unit}, further apart than {allowed:.3g}"
