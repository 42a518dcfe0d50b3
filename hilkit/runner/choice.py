"""Which steps of a plan run."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from hilkit.errors import UsageError
from hilkit.plans import Plan, Step

__all__ = ["choice_text", "choose"]


def choose(plan: Plan, *, only: Sequence[str] = (), from_step: str | None = None) -> tuple[Step, ...]:
    """Return the steps to run, in the order of the plan; empty where the choice leaves none.

    ``only`` names steps, ``from_step`` the first of the plan to run. Steps before the first chosen one that
    establish a state run as well: what follows was written on top of that state. Raises ``UsageError`` for an
    unknown step.
    """
    ids = [step.id for step in plan.steps]
    for option, name in [("--only", name) for name in only] + ([("--from", from_step)] if from_step else []):
        if name not in ids:
            raise _unknown(plan, option, name, ids)
    first = ids.index(from_step) if from_step else 0
    chosen = {i for i, name in enumerate(ids) if i >= first and (not only or name in only)}
    last = max(chosen, default=-1)
    return tuple(
        step
        for i, step in enumerate(plan.steps)
        if i in chosen or (i < last and (only or from_step) and step.procedure.establishes_state)
    )


def choice_text(
    *, only: Sequence[str] = (), from_step: str | None = None, sets: dict[str, str] | None = None
) -> str:
    """Return the choice as it was given on the command line, empty for the whole plan."""
    parts = [f"--only {name}" for name in only]
    parts += [f"--from {from_step}"] if from_step else []
    parts += [f"--set {name}={value}" for name, value in (sets or {}).items()]
    return " ".join(parts)


def _unknown(plan: Plan, option: str, name: str, ids: list[str]) -> UsageError:
    near = [each for each in ids if name and name in each] or difflib.get_close_matches(name, ids, n=1)
    hint = f"did you mean {' or '.join(near)}? " if near else ""
    return UsageError(
        f"{option} {name}: the plan {plan.title!r} has no such step",
        next_step=f"{hint}its steps are {', '.join(ids)}",
    )
