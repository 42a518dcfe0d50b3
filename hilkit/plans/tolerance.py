"""Guard bands that leave nothing of a tolerance zone: found from bench file and settings, before anything is
measured.

A procedure tells the least budget that a reading of its can have: what analyser and path, the reference, the
time between two looks make of it. Where a guard band made of that alone is wider than the zone between min
and max, no value could ever pass. What only the measurement tells, such as noise, may show it later.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from hilkit.errors import BenchError, Problem
from hilkit.judgement import Limit, Rule, Uncertainty, UncertaintyError, check_guard_band, combine
from hilkit.plans.plan import Combination, Plan, Step
from hilkit.readings import Budget

if TYPE_CHECKING:
    from hilkit.bench import Bench

__all__ = ["zones_too_narrow"]


def zones_too_narrow(plan: Plan, bench: Bench) -> Iterator[tuple[Combination, Problem]]:
    """Yield a problem at each two-sided limit that the decision rule leaves no room in."""
    for combination, step in plan.runs():
        if step.rule.rule is Rule.SIMPLE_ACCEPTANCE:
            continue
        for name, limits in step.limits(combination).items():
            for limit in limits:
                told = _told(step, combination, bench, name, limit)
                if told is not None:
                    at = ("steps", step.index, step.procedure.name, "limits", name)
                    message = f"{told.message}; {_CAUSE} make this much uncertainty"
                    problem = plan.document.problem(at, message, next_step=told.next_step, at_key=True)
                    yield combination, problem


_CAUSE = "what the bench file and the settings state alone"


def _told(
    step: Step, combination: Combination, bench: Bench, name: str, limit: Limit
) -> UncertaintyError | None:
    if limit.reference is not None:
        return None
    for zone in _zones(limit):
        least = _least_uncertainty(step, combination, bench, name, zone)
        try:
            if least is not None:
                check_guard_band(step.rule.guard_band(least), zone)
        except UncertaintyError as error:
            return error
    return None


def _zones(limit: Limit) -> Iterator[Limit]:
    """Yield the two-sided limit, or those at the points of a mask."""
    points = [None] if limit.mask is None else [point.at for point in limit.mask.points]
    for at in points:
        zone = limit.at(at)
        if zone is not None and zone.low is not None and zone.high is not None:
            yield zone


def _least_uncertainty(
    step: Step, combination: Combination, bench: Bench, name: str, zone: Limit
) -> Uncertainty | None:
    """Return the least uncertainty of a reading, ``None`` where bench file and settings cannot tell."""
    low, high = zone.low or 0.0, zone.high or 0.0
    nearest = 0.0 if low <= 0 <= high else min(low, high, key=abs)
    try:
        budget: Budget | None = step.procedure.least_budget(name, step.settings(combination), bench, nearest)
        return None if budget is None else combine(budget)
    except (BenchError, UncertaintyError):  # told elsewhere, by those whose matter it is
        return None
