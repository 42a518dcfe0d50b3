"""Where the value behind a ``$name`` was written: a mistake in it is told there, once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from hilkit.errors import Problem
from hilkit.files import Document, Loc
from hilkit.plans.mistakes import Mistakes
from hilkit.plans.plan import Combination, scalar_text
from hilkit.plans.substitute import NAME

__all__ = ["Origins"]

_WHOLE = re.compile(rf"\s*\$({NAME.pattern})\s*")


class Origins:
    """Moves a problem with a value that is a ``$name`` alone to what gave the name its value."""

    def __init__(self, document: Document, sets: Mapping[str, str], mistakes: Mistakes) -> None:
        self._document = document
        self._sets = sets
        self._mistakes = mistakes
        self._by_option: dict[tuple[str, str], Problem] = {}

    def add(self, problem: Problem, at: Loc, combination: Combination) -> None:
        """Take down a problem with the value at ``at`` in one combination, where it was written."""
        whole = _WHOLE.fullmatch(self._document.raw(at) or "")
        given = dict(combination.vary)
        if whole is None or whole[1] not in given:
            self._mistakes.add(problem, [combination])
        elif whole[1] in self._sets:
            self._mistakes.add(self._of_option(problem, whole[1]))
        else:
            moved = self._of_vary(problem, whole[1], given[whole[1]])
            key = next((str(part) for part in reversed(at) if isinstance(part, str)), "")
            value = (whole[1], given[whole[1]])
            used = f"as {key} in line {problem.line}"
            self._mistakes.add(moved, [combination], given=value, used=used)

    def _of_option(self, problem: Problem, name: str) -> Problem:
        """Return the problem at its first use, under the name of the option, and no second time."""
        told = replace(problem, message=f"--set {name}={self._sets[name]}: {problem.message}")
        return self._by_option.setdefault((name, told.message), told)

    def _of_vary(self, problem: Problem, name: str, text: str) -> Problem:
        values = self._document.data["vary"][name]
        index = next(number for number, value in enumerate(values) if scalar_text(value) == text)
        return self._document.problem(
            ("vary", name, index),
            problem.message,
            seen=text,
            allowed=problem.allowed,
            next_step=problem.next_step,
        )
