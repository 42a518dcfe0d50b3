"""Collects what is wrong with a plan over all its combinations, so that each mistake is told once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from hilkit.errors import Problem
from hilkit.plans.plan import Combination

__all__ = ["Mistakes"]

_FEW = 3


@dataclass(kw_only=True)
class _Told:
    """What is known of one problem besides its words: values seen, combinations, where a value is used."""

    given: tuple[str, str] | None
    seen: list[str] = field(default_factory=list)
    where: set[Combination] = field(default_factory=set)
    used: list[str] = field(default_factory=list)


class Mistakes:
    """Problems keyed by place and message; remembers in which combinations each was seen."""

    def __init__(self, combinations: Sequence[Combination]) -> None:
        self._all = tuple(combinations)
        self._found: dict[Problem, _Told] = {}

    def __bool__(self) -> bool:
        return bool(self._found)

    def add(
        self,
        problem: Problem,
        combinations: Sequence[Combination] | None = None,
        *,
        given: tuple[str, str] | None = None,
        used: str = "",
    ) -> None:
        """Take down one problem, for all combinations unless some are given.

        ``given`` is the name and value of ``vary`` that the problem is put at: only the combinations with it
        count. ``used`` says where the value is used.
        """
        told = self._found.setdefault(replace(problem, seen=""), _Told(given=given))
        if problem.seen and problem.seen not in told.seen:
            told.seen.append(problem.seen)
        if used and used not in told.used:
            told.used.append(used)
        told.where.update(self._all if combinations is None else combinations)

    def problems(self) -> list[Problem]:
        """Return each mistake once, in the order of the file, and for which combinations if not all."""
        found = [
            replace(
                problem, message=problem.message + self._only_for(told) + _used(told), seen=_list(told.seen)
            )
            for problem, told in self._found.items()
        ]
        return sorted(found, key=lambda problem: (problem.file, problem.line, problem.column))

    def _only_for(self, told: _Told) -> str:
        concerned = [each for each in self._all if told.given is None or told.given in each.vary]
        if len(told.where) >= len(concerned):
            return ""
        return f" (for {self._common(told.where)})"

    def _common(self, where: set[Combination]) -> str:
        """Return the vary values that just these combinations share, else the combinations themselves."""
        shared = set.intersection(*(set(combination.vary) for combination in where))
        if shared and sum(shared <= set(combination.vary) for combination in self._all) == len(where):
            return ", ".join(f"{name}={value}" for name, value in sorted(shared, key=self._order))
        return _list([str(c) for c in self._all if c in where], joint="; ")

    def _order(self, pair: tuple[str, str]) -> int:
        return [name for name, _ in self._all[0].vary].index(pair[0])


def _used(told: _Told) -> str:
    return f" (used {_list(told.used)})" if told.used else ""


def _list(texts: Sequence[str], joint: str = ", ") -> str:
    few = joint.join(texts[:_FEW])
    return few if len(texts) <= _FEW else f"{few} and {len(texts) - _FEW} more"
