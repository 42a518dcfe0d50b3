"""Which steps of a plan run."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from hilkit.errors import UsageError
from hilkit.plans import Plan, Step

__all__ = ["Choice", "choose"]


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


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What was chosen on the command line, or for the plan: a run that is resumed has the same.

    ``sets`` are the values of ``--set``; ``bench`` is the one of ``--bench`` or else of the plan.
    """

    only: tuple[str, ...] = ()
    from_step: str | None = None
    sets: Mapping[str, str] = field(default_factory=dict)
    bench: str | None = None

    @property
    def text(self) -> str:
        """The choice as it was given, empty for the whole plan."""
        parts = [f"--only {name}" for name in self.only]
        parts += [f"--from {self.from_step}"] if self.from_step else []
        parts += [f"--set {name}={value}" for name, value in self.sets.items()]
        return " ".join(parts)

    @property
    def data(self) -> dict[str, Any]:
        """The choice as plain data, for the record."""
        return {
            "only": list(self.only),
            "from": self.from_step,
            "sets": dict(self.sets),
            "bench": self.bench,
        }

    @classmethod
    def of(cls, data: Mapping[str, Any]) -> Choice:
        """Return the choice that ``data`` was made of."""
        return cls(
            only=tuple(data["only"]), from_step=data["from"], sets=dict(data["sets"]), bench=data["bench"]
        )


def _unknown(plan: Plan, option: str, name: str, ids: list[str]) -> UsageError:
    near = [each for each in ids if name and name in each] or difflib.get_close_matches(name, ids, n=1)
    hint = f"did you mean {' or '.join(near)}? " if near else ""
    return UsageError(
        f"{option} {name}: the plan {plan.title!r} has no such step",
        next_step=f"{hint}its steps are {', '.join(ids)}",
    )
