"""Collects what is wrong with a plan over all its combinations, so that each mistake is told once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from hilkit.errors import Problem
from hilkit.plans.plan import Combination

__all__ = ["Mistakes"]

_FEW = 3


class Mistakes:
    """Problems keyed by place and message; remembers in which combinations each was seen."""

    def __init__(self, combinations: Sequence[Combination]) -> None:
        self._all = tuple(combinations)
        self._found: dict[Problem, tuple[list[str], set[Combination]]] = {}

    def __bool__(self) -> bool:
        return bool(self._found)

    def add(self, problem: Problem, combinations: Sequence[Combination] | None = None) -> None:
        """Take down one problem, for all combinations unless some are given."""
        seen, where = self._found.setdefault(replace(problem, seen=""), ([], set()))
        if problem.seen and problem.seen not in seen:
            seen.append(problem.seen)
        where.update(self._all if combinations is None else combinations)

    def problems(self) -> list[Problem]:
        """Return each mistake once, in the order of the file, and for which combinations if not all."""
        told = [
            replace(problem, message=problem.message + self._only_for(where), seen=_list(seen))
            for problem, (seen, where) in self._found.items()
        ]
        return sorted(told, key=lambda problem: (problem.file, problem.line, problem.column))

    def _only_for(self, where: set[Combination]) -> str:
        if len(where) == len(self._all):
            return ""
        return f" (for {self._common(where)})"

    def _common(self, where: set[Combination]) -> str:
        """Return the vary values that just these combinations share, else the combinations themselves."""
        shared = set.intersection(*(set(combination.vary) for combination in where))
        if shared and sum(shared <= set(combination.vary) for combination in self._all) == len(where):
            return ", ".join(f"{name}={value}" for name, value in sorted(shared, key=self._order))
        return _list([str(c) for c in self._all if c in where], joint="; ")

    def _order(self, pair: tuple[str, str]) -> int:
        return [name for name, _ in self._all[0].vary].index(pair[0])


def _list(texts: Sequence[str], joint: str = ", ") -> str:
    few = joint.join(texts[:_FEW])
    return few if len(texts) <= _FEW else f"{few} and {len(texts) - _FEW} more"
