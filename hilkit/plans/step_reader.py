"""Reads one step of a plan, combination by combination: its settings, its limits, what is wrong with them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Set
from typing import Any

from hilkit.errors import FileProblems, Problem
from hilkit.files import Document, validate
from hilkit.files.explain import form
from hilkit.files.notes import did_you_mean
from hilkit.judgement import Limit, LimitFile, LimitMistake, resolve_limit
from hilkit.plans.limit_sense import DEEPEST_DBC, doubts
from hilkit.plans.mistakes import Mistakes
from hilkit.plans.origin import Origins
from hilkit.plans.plan import Combination, Scalar
from hilkit.plans.published import PublishedFile, is_published, published_limit
from hilkit.plans.substitute import SubstitutionError, names_in, resolve
from hilkit.procedures.contract import Procedure, Settings
from hilkit.readings import ReadingSpec

__all__ = ["RESERVED", "Loc", "StepReader"]

RESERVED = ("id", "limits", "decision")
"""Keys of a step that belong to the plan, not to the procedure."""

_LINE_DISTANCE = "spurious_free_range"
"""Reading in dB whose lower limit asks for a depth in dBc."""

Loc = tuple[str | int, ...]
"""A path into the plan file."""

Place = tuple[int, int]
"""Line and column."""


class StepReader:
    """Reads the settings and limits of one step, combination by combination.

    ``settings`` and ``limits`` hold what was read; mistakes go to ``mistakes``. ``earlier`` are the readings
    of earlier steps by step.name, which a limit may be relative to.
    """

    def __init__(
        self,
        document: Document,
        mistakes: Mistakes,
        origins: Origins,
        at: Loc,
        procedure: Procedure[Any],
        body: Mapping[str, Any],
        earlier: Mapping[str, ReadingSpec] | None = None,
    ) -> None:
        self._document = document
        self._mistakes = mistakes
        self._origins = origins
        self._at = at
        self._procedure = procedure
        self._raw_settings = {key: value for key, value in body.items() if key not in RESERVED}
        self._raw_limits = body.get("limits", {})
        self._others = {**{spec.name: spec for spec in procedure.readings}, **(earlier or {})}
        self.settings: dict[Combination, Settings] = {}
        self.limits: dict[Combination, dict[str, tuple[Limit, ...]]] = {}
        places = list(self._places({**self._raw_settings, "limits": self._raw_limits}, at))
        self._uses = {place: names for place, names, _ in places}
        self._where = {place: use for place, _, use in places}
        self._spoilt: set[Place] = set()
        self._now: Mapping[str, Any] = {}
        self._known: dict[str, tuple[Settings | None, list[Problem]]] = {}

    def read(
        self, combination: Combination, values: Mapping[str, Scalar], bad: Set[str] = frozenset()
    ) -> None:
        """Read the step for one combination, whose ``values`` stand for the names.

        The value of a name in ``bad`` was refused already: what follows from it is not told.
        """
        self._spoilt = {place for place, names in self._uses.items() if names & bad}

        def wrong(at: Loc, error: SubstitutionError) -> None:
            problem = self._document.problem(
                at, error.message, seen=error.seen, allowed=error.allowed, next_step=error.next_step
            )
            self._take([problem], combination)
            self._spoilt.add((problem.line, problem.column))

        settings = resolve(self._raw_settings, values, at=self._at, wrong=wrong)
        limits = resolve(self._raw_limits, values, at=(*self._at, "limits"), wrong=wrong)
        self._now = settings
        self.limits[combination] = self._read_limits(limits, combination)
        self._tell(settings, self.limits[combination])
        self._derive(settings, self.limits[combination])
        validated = self._read_settings(settings, combination)
        if validated is not None:
            self.settings[combination] = validated
            self._check_yields(validated, combination)

    def _check_yields(self, settings: Settings, combination: Combination) -> None:
        """Refuse a limit on what the procedure does not yield with these settings."""
        given = list(self._procedure.yields(settings))
        names = list(dict.fromkeys(name for name, _ in given))
        for name, limits in self.limits[combination].items():
            for limit in limits:
                if (name, limit.phase) in given:
                    continue
                phases = [phase for other, phase in given if other == name]
                phase = f" in the phase {limit.phase}" if limit.phase and phases else ""
                problem = self._document.problem(
                    (*self._at, "limits", name),
                    f"with these settings there is no {name}{phase}",
                    allowed=f"phase: {', '.join(phases)}" if phases else ", ".join(names),
                    next_step="change the settings of the step, or take this limit away",
                    at_key=True,
                )
                self._take([problem], combination)

    def _tell(self, settings: dict[str, Any], limits: Mapping[str, tuple[Limit, ...]]) -> None:
        """Give the procedure what a published limit asks for; the same by hand would be two limits."""
        for name, each in limits.items():
            for key, value in (pair for limit in each for pair in limit.settings):
                if key in self._raw_settings:
                    self._wrong(
                        (*self._at, key),
                        f"the published limit on {name} gives this already",
                        seen=str(self._raw_settings[key]),
                        next_step="take one of both away",
                    )
                elif key in self._procedure.settings_model.model_fields:
                    settings[key] = value

    def _derive(self, settings: dict[str, Any], limits: Mapping[str, tuple[Limit, ...]]) -> None:
        """Give a procedure that asks for it the depth to which the limits need it to resolve."""
        key = "resolve_down_to"
        if key not in self._procedure.settings_model.model_fields or key in settings:
            return
        depths = [
            limit.deepest
            for each in limits.values()
            for limit in each
            if limit.unit == "dBc" and limit.deepest is not None
        ]
        # The distance to the highest other line is worth what the lines can be read down to.
        depths += [-limit.low for limit in limits.get(_LINE_DISTANCE, ()) if limit.low is not None]
        if depths:
            settings[key] = f"{max(min(depths), DEEPEST_DBC):.10g} dBc"

    def _read_settings(self, settings: dict[str, Any], combination: Combination) -> Settings | None:
        content = json.dumps(settings, sort_keys=True, default=str)
        if content not in self._known:
            try:
                model = self._procedure.settings_model
                self._known[content] = validate(self._document, model, at=self._at, data=settings), []
            except FileProblems as error:
                self._known[content] = None, list(error.problems)
        validated, problems = self._known[content]
        self._take(problems, combination)
        return validated

    def _places(self, value: Any, at: Loc) -> Iterator[tuple[Place, set[str], Loc]]:
        """Yield the place of every text with a ``$name``, its names, and its path."""
        if isinstance(value, dict):
            for key, item in value.items():
                yield from self._places(item, (*at, key))
        elif isinstance(value, list):
            for index, item in enumerate(value):
                yield from self._places(item, (*at, index))
        elif names := names_in(value):
            problem = self._document.problem(at, "")
            yield (problem.line, problem.column), names, at

    def _take(self, problems: list[Problem], combination: Combination) -> None:
        """Keep these problems, but for those at a place whose ``$name`` could not be worked out."""
        for problem in problems:
            place = (problem.line, problem.column)
            if place not in self._spoilt:
                self._origins.add(problem, self._where.get(place, ()), combination)

    # --- limits

    def _read_limits(self, data: Any, combination: Combination) -> dict[str, tuple[Limit, ...]]:
        at = (*self._at, "limits")
        if not isinstance(data, dict):
            self._wrong(at, "limits are written as 'reading: {max: ...}'", seen=form(data))
            return {}
        specs = {spec.name: spec for spec in self._procedure.readings}
        limits: dict[str, tuple[Limit, ...]] = {}
        for name, value in data.items():
            if name not in specs:
                self._wrong(
                    (*at, name),
                    f"{self._procedure.name} has no reading of this name",
                    seen=name,
                    allowed=", ".join(specs),
                    next_step=did_you_mean(name, list(specs)),
                    at_key=True,
                )
                continue
            limits[name] = self._limits_of(specs[name], value, (*at, name), combination)
        return limits

    def _limits_of(
        self, spec: ReadingSpec, value: Any, at: Loc, combination: Combination
    ) -> tuple[Limit, ...]:
        places = (
            [((*at, i), item) for i, item in enumerate(value)] if isinstance(value, list) else [(at, value)]
        )
        if not places:
            self._wrong(
                at,
                f"this list has no limit on {spec.name}",
                next_step="write a limit, or take the reading away",
            )
        found: list[Limit] = []
        for place, item in places:
            limit = self._one_limit(spec, item, place, combination)
            if limit is None:
                continue
            if any(limit.phase == other.phase for other in found):
                phase = f" in the phase {limit.phase}" if limit.phase else ""
                self._wrong(place, f"{spec.name} has two limits{phase}", next_step="write them as one")
            found.append(limit)
        return tuple(found)

    def _published(self, spec: ReadingSpec, item: Any, at: Loc, combination: Combination) -> Limit | None:
        try:
            file = validate(self._document, PublishedFile, at=at, data=item)
        except FileProblems as error:
            self._take(list(error.problems), combination)
            return None
        limit, problems = published_limit(file, spec, self._now, self._document, at)
        self._take(problems, combination)
        return limit

    def _one_limit(self, spec: ReadingSpec, item: Any, at: Loc, combination: Combination) -> Limit | None:
        if is_published(item):
            return self._published(spec, item, at, combination)
        try:
            file = validate(self._document, LimitFile, at=at, data=item)
        except FileProblems as error:
            self._take(list(error.problems), combination)
            return None
        limit, mistakes = resolve_limit(file, spec, self._others)
        for mistake in mistakes:
            self._take([self._limit_problem(mistake, at)], combination)
        for key, message, hint in doubts(file, limit, spec) if limit is not None else ():
            seen = self._document.raw((*at, key)) or ""
            problem = self._document.problem((*at, key), message, seen=seen, next_step=hint)
            self._take([problem], combination)
        return limit

    def _limit_problem(self, mistake: LimitMistake, at: Loc) -> Problem:
        place = (*at, mistake.key, *mistake.more) if mistake.key else at
        raw = self._document.raw(place) or ""
        seen = f"{mistake.seen} (from {raw})" if "$" in raw else mistake.seen
        return self._document.problem(
            place, mistake.message, seen=seen, allowed=mistake.allowed, next_step=mistake.next_step
        )

    def _wrong(self, at: Loc, message: str, **details: Any) -> None:
        self._mistakes.add(self._document.problem(at, message, **details))
