"""Guard bands that leave nothing of a tolerance zone: found from the bench file, before anything is measured.

What is read has at least the uncertainty of the analyser's level and of the path. Where a guard band made of
these two alone is wider than the zone between min and max, no value could ever pass.
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
    """Yield a problem at each two-sided limit on a level that the decision rule leaves no room in."""
    for combination, step in plan.runs():
        zones = list(_zones(step, combination))
        if step.rule.rule is Rule.SIMPLE_ACCEPTANCE or not zones:
            continue
        least = _least_uncertainty(step, combination, bench)
        if least is None:
            continue
        for name, limit in zones:
            try:
                check_guard_band(step.rule.guard_band(least), limit)
            except UncertaintyError as error:
                at = ("steps", step.index, step.procedure.name, "limits", name)
                told = f"{error.message}; analyser and path alone make this much uncertainty"
                yield combination, plan.document.problem(at, told, next_step=error.next_step, at_key=True)


def _zones(step: Step, combination: Combination) -> Iterator[tuple[str, Limit]]:
    """Yield the two-sided limits on levels at the port."""
    for name, limits in step.limits(combination).items():
        for limit in limits:
            if limit.unit == "dBm" and limit.low is not None and limit.high is not None:
                yield name, limit


def _least_uncertainty(step: Step, combination: Combination, bench: Bench) -> Uncertainty | None:
    """Return the least uncertainty of a level that the bench file allows, ``None`` where it cannot tell."""
    from hilkit.bench.path import frequency_text
    from hilkit.bench.path_budget import path_lines

    analyser = next(iter(bench.of_class("signal_analyser")), None)
    needed = {need.instrument_class for need in step.procedure.needs}
    if analyser is None or "signal_analyser" not in needed:
        return None
    level = analyser.figure("level")
    lines = () if level is None else (level.line("analyser level"),)
    found = []
    try:
        states = [each.state for each in step.procedure.envelope(step.settings(combination), bench)]
        for channel, carrier_hz in {(state.channel, state.carrier_hz) for state in states}:
            near = frequency_text(carrier_hz)
            path = path_lines(bench.path(channel), carrier_hz, pad_db=0.0, near=near)
            found.append(combine(Budget(unit="dBm", lines=(*lines, *path))))
    except (BenchError, UncertaintyError):  # told elsewhere, by those whose matter it is
        return None
    return min(found, key=lambda each: each.expanded, default=None)
