"""What is known of a run before it begins."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Mapping, Sequence

from hilkit import __version__
from hilkit.bench import Bench
from hilkit.errors import BenchError
from hilkit.plans import Combination, Plan, Step, plan_hash
from hilkit.record import PlannedStep, Resumed, RunBegun, slug
from hilkit.runner.calibration import Calibrations
from hilkit.runner.choice import Choice

__all__ = ["planned_steps", "run_begun"]

Item = tuple[PlannedStep, Combination, Step]


def planned_steps(plan: Plan, bench: Bench, steps: Sequence[Step]) -> list[list[Item]]:
    """Return the steps of every combination in the order in which they run."""
    result: list[list[Item]] = []
    number = 0
    for index, combination in enumerate(plan.combinations if steps else (), start=1):
        items: list[Item] = []
        for step in steps:
            number += 1
            items.append((_planned(number, index, combination, step, bench), combination, step))
        result.append(items)
    return result


def run_begun(
    plan: Plan,
    bench: Bench,
    steps: Sequence[PlannedStep],
    calibrations: Calibrations,
    *,
    seed: int | None,
    choice: Choice,
    fingerprint: Mapping[str, str],
    resumed: tuple[Resumed, ...] = (),
) -> RunBegun:
    """Return the first event of a run."""
    return RunBegun(
        plan_name=plan.title,
        plan_slug=slug(plan.name),
        plan_file=str(plan.path),
        plan_text=plan.document.text,
        plan_digest=plan_hash(plan),
        bench_name=bench.name,
        bench_file=str(bench.file),
        bench_text=bench.text,
        simulated=bench.simulation is not None,
        seed="" if seed is None else str(seed),
        hilkit_version=__version__,
        python=platform.python_version(),
        host=platform.node() or "unknown",
        process=os.getpid(),
        chosen=choice.text,
        choice=choice.data,
        fingerprint=fingerprint,
        resumed=resumed,
        steps=tuple(steps),
        rule=str(plan.rule),
        calibration=calibrations.told,
        expired_allowed=calibrations.allowed,
    )


def _planned(number: int, index: int, combination: Combination, step: Step, bench: Bench) -> PlannedStep:
    limits = {name: [str(limit) for limit in limits] for name, limits in step.limits(combination).items()}
    return PlannedStep(
        number=number,
        combination=index,
        vary=combination.vary,
        step=step.id,
        procedure=step.procedure.name,
        procedure_version=step.procedure.version,
        settings=json.dumps(step.settings(combination).model_dump(mode="json"), default=str),
        limits=json.dumps(limits),
        expected_s=_expected_s(step, combination, bench),
        rule=str(step.rule),
    )


def _expected_s(step: Step, combination: Combination, bench: Bench) -> float:
    """Return the bench time that the procedure expects; 0 where it cannot tell, as the step will report."""
    try:
        return sum(
            exposure.expected_s for exposure in step.procedure.envelope(step.settings(combination), bench)
        )
    except BenchError:
        return 0.0
