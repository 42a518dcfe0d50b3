"""The bench file that a plan names."""

from __future__ import annotations

from pathlib import Path

from hilkit.errors import FileProblems
from hilkit.files import Lab, PlaceError
from hilkit.plans.plan import Plan

__all__ = ["bench_file"]


def bench_file(plan: Plan, lab: Lab) -> Path:
    """Return the file of the bench that a plan names; one that is not there is a mistake at its place."""
    try:
        return lab.find("bench", plan.bench_name(), relative_to=plan.path.resolve().parent)
    except PlaceError as error:
        raise FileProblems([plan.document.problem_from(("bench",), error)]) from error
