"""Reads a plan: substitutes, validates every combination, and reports every mistake once, at its place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from hilkit.errors import FileProblems, Problem, UsageError
from hilkit.files import Document, Lab, ScalarError, load, near, scalar, validate
from hilkit.files.kind import refuse_other
from hilkit.files.notes import did_you_mean
from hilkit.judgement import SIMPLE_ACCEPTANCE, DecisionRule
from hilkit.plans.decision import read_rule
from hilkit.plans.mistakes import Mistakes
from hilkit.plans.origin import Origins
from hilkit.plans.plan import Combination, Plan, PlanFile, Scalar, Step, combinations_of, scalar_text
from hilkit.plans.step_reader import Loc, StepReader
from hilkit.plans.substitute import NAME, names_in
from hilkit.procedures.contract import Procedure
from hilkit.quantities import QuantityError, parse
from hilkit.readings import ReadingSpec

__all__ = ["known_procedures", "load_plan"]


def load_plan(
    path: Path,
    lab: Lab | None = None,
    *,
    sets: Mapping[str, str] | None = None,
    bench_override: str | None = None,
    procedures: Mapping[str, Procedure[Any]] | None = None,
) -> Plan:
    """Read the plan at ``path`` and return it ready to run.

    ``sets`` holds the ``--set`` values as text: each overrides what ``vary`` gives to that name, or adds one.
    ``procedures`` are those that a step may name, all known ones if not given. ``lab`` is not needed to read
    a plan; it is taken so that all files are read by calls of one shape.

    ``FileProblems`` with every mistake of the file; ``UsageError`` for a ``--set`` that nothing uses.
    """
    document = load(path)
    return _Loader(document, sets or {}, procedures).plan(path, bench_override)


class _Loader:
    def __init__(
        self, document: Document, sets: Mapping[str, str], procedures: Mapping[str, Procedure[Any]] | None
    ) -> None:
        self.document = document
        self.sets = sets
        self.procedures = procedures if procedures is not None else known_procedures()
        self.early: list[Problem] = []
        self.refused: set[tuple[str, str]] = set()

    def plan(self, path: Path, bench_override: str | None) -> Plan:
        refuse_other(self.document, "plan")
        file = self.shape()
        data = self.document.data
        vary = self.vary(data.get("vary"))
        self.check_sets(data, vary)
        combinations = combinations_of(vary)
        self.mistakes = Mistakes([combination for combination, _ in combinations])
        self.origins = Origins(self.document, self.sets, self.mistakes)
        for problem in self.early:
            self.mistakes.add(problem)
        rule = self.rule(data, (), SIMPLE_ACCEPTANCE)
        steps = self.steps(data.get("steps"), combinations, rule)
        if self.mistakes or file is None:
            raise FileProblems(self.mistakes.problems())
        return Plan(
            title=file.plan,
            path=path,
            bench=bench_override or file.bench,
            combinations=tuple(combination for combination, _ in combinations),
            steps=tuple(steps),
            document=self.document,
            sets=dict(self.sets),
            rule=rule,
            allow_expired_calibration=file.allow_expired_calibration or "",
        )

    def shape(self) -> PlanFile | None:
        """Validate the plan's own keys; what is wrong is kept, so that the steps are looked at as well."""
        try:
            return validate(self.document, PlanFile)
        except FileProblems as error:
            if not isinstance(self.document.data, dict):
                raise
            self.early.extend(error.problems)
            return None

    # --- vary and --set

    def vary(self, data: Any) -> dict[str, list[Scalar]]:
        """Return the values of every name; one that cannot be used stays, and is noted in ``refused``."""
        vary: dict[str, list[Scalar]] = {}
        if data is not None and not isinstance(data, dict):
            vary = {name: [""] for name in sorted(names_in(self.document.data.get("steps")))}
            self.refused.update((name, "") for name in vary)
        for name, values in data.items() if isinstance(data, dict) else ():
            if not NAME.fullmatch(name):
                allowed = "letters, digits and _, such as carrier"
                self.wrong_early(("vary", name), f"{name!r} cannot be a name", allowed=allowed, at_key=True)
            if values == []:
                self.wrong_early(("vary", name), f"{name} has no value: no combination would be left to run")
            listed = values if isinstance(values, list) and values else [None]
            self.check_used(name, listed)
            vary[name] = list(
                dict.fromkeys(self.vary_value(name, index, listed) for index in range(len(listed)))
            )
        for name, text in self.sets.items():
            vary[name] = [_set_value(name, text)]
        return vary

    def check_used(self, name: str, values: list[Any]) -> None:
        """Refuse a name that no step uses, unless its values just count: so a plan repeats its steps."""
        data = self.document.data
        used = names_in(data.get("steps"))
        # A misspelt $name is told at its step, with this name as the one that was meant.
        misspelt = near(name, used - set(data["vary"]) - set(self.sets))
        if name in used or misspelt or values == list(range(1, len(values) + 1)):
            return
        self.wrong_early(
            ("vary", name),
            f"nothing in the plan uses ${name}: each of its values would run the same steps once more",
            seen=name,
            allowed="a name that a step uses; values 1, 2, 3 where the steps are to be repeated",
            next_step=f"write ${name} where it belongs, or take it away",
            at_key=True,
        )

    def vary_value(self, name: str, index: int, values: list[Any]) -> Scalar:
        value = values[index]
        at = ("vary", name, index)
        problem = self.vary_problem(name, at, value)
        if problem is not None:
            self.early.append(problem)
        elif value in values[:index]:
            self.wrong_early(at, f"{name} has this value twice", seen=str(value))
        if problem is None and isinstance(value, (str, int, float, bool)):
            return value
        self.refused.add((name, scalar_text(str(value))))
        return str(value)

    def vary_problem(self, name: str, at: Loc, value: Any) -> Problem | None:
        if value is None and self.document.raw(at) is None:
            return None
        if not isinstance(value, (str, int, float, bool)):
            seen = "nothing" if value is None else "a list" if isinstance(value, list) else "keys with values"
            return self.document.problem(at, f"a value of {name} is one text or number", seen=seen)
        if isinstance(value, str) and "$" in value:
            return self.document.problem(at, "a value of vary stands for itself: no $name in it", seen=value)
        if isinstance(value, str) and _looks_like_quantity(value):
            try:
                parse(value, None)
            except QuantityError as error:
                return self.document.problem(
                    at, error.message, seen=value, allowed=error.allowed, next_step=error.next_step
                )
        return None

    def check_sets(self, data: Mapping[str, Any], vary: Mapping[str, Any]) -> None:
        given = data.get("vary")
        used = names_in(data.get("steps")) | set(given if isinstance(given, dict) else ())
        for name in self.sets:
            if not NAME.fullmatch(name):
                raise UsageError(
                    f"--set {name}: this cannot be a name",
                    next_step="write --set NAME=VALUE, such as --set channel=1",
                )
            if name not in used:
                raise UsageError(
                    f"--set {name}: nothing in the plan uses ${name}",
                    next_step=did_you_mean(name, sorted(used))
                    or f"names in the plan: {', '.join(sorted(used)) or 'none'}",
                )

    # --- steps

    def rule(self, body: Mapping[str, Any], at: Loc, otherwise: DecisionRule) -> DecisionRule:
        if body.get("decision") is None:
            return otherwise
        rule, problems = read_rule(self.document, body["decision"], (*at, "decision"))
        for problem in problems:
            self.mistakes.add(problem)
        return rule

    def steps(
        self, data: Any, combinations: list[tuple[Combination, dict[str, Scalar]]], rule: DecisionRule
    ) -> list[Step]:
        found: list[Step] = []
        ids: dict[str, int] = {}
        earlier: dict[str, ReadingSpec] = {}
        for index, item in enumerate(data if isinstance(data, list) else ()):
            named = self.procedure_of(index, item)
            if named is None:
                continue
            name, procedure, body = named
            step_id = self.step_id(index, name, body, ids)
            at: Loc = ("steps", index, name)
            reader = StepReader(
                self.document, self.mistakes, self.origins, at, procedure, body, dict(earlier)
            )
            for combination, values in combinations:
                reader.read(
                    combination,
                    values,
                    {name for name, text in combination.vary if (name, text) in self.refused},
                )
            found.append(
                Step(
                    id=step_id,
                    index=index,
                    procedure=procedure,
                    settings_by_combination=reader.settings,
                    limits_by_combination=reader.limits,
                    rule=self.rule(body, at, rule),
                )
            )
            earlier |= {f"{step_id}.{spec.name}": spec for spec in procedure.readings}
        return found

    def procedure_of(self, index: int, item: Any) -> tuple[str, Procedure[Any], dict[str, Any]] | None:
        known = list(self.procedures)
        if not isinstance(item, dict) or len(item) != 1:
            self.wrong(
                ("steps", index),
                "a step is one procedure, its settings indented under it",
                **_shape(item, known),
            )
            return None
        name, body = next(iter(item.items()))
        if name not in self.procedures:
            self.wrong(
                ("steps", index, name),
                "there is no procedure of this name",
                seen=name,
                allowed=", ".join(known),
                next_step=did_you_mean(name, known),
                at_key=True,
            )
            return None
        if body is not None and not isinstance(body, dict):
            self.wrong(("steps", index, name), f"{name} needs its settings as 'name: value'", seen=str(body))
            return None
        return name, self.procedures[name], body or {}

    def step_id(self, index: int, name: str, body: Mapping[str, Any], ids: dict[str, int]) -> str:
        step_id = body.get("id", name)
        at: Loc = ("steps", index, name, "id") if "id" in body else ("steps", index, name)
        if not isinstance(step_id, str) or not NAME.fullmatch(step_id):
            self.wrong(
                at, "this cannot be the id of a step", seen=str(step_id), allowed="letters, digits and _"
            )
            return name
        if step_id in ids:
            self.wrong(
                at,
                f"two steps have the id {step_id}: the other one is step {ids[step_id] + 1} of the plan",
                seen=step_id,
                next_step="give this step an id of its own: id: NAME",
                at_key="id" not in body,
            )
        ids.setdefault(step_id, index)
        return step_id

    # --- mistakes

    def wrong_early(self, at: Loc, message: str, **details: Any) -> None:
        self.early.append(self.document.problem(at, message, **details))

    def wrong(self, at: Loc, message: str, **details: Any) -> None:
        self.mistakes.add(self.document.problem(at, message, **details))


def known_procedures() -> Mapping[str, Procedure[Any]]:
    """Return every procedure that a plan may name, those of other packages included."""
    from hilkit import procedures

    return {name: procedures.find(name) for name in procedures.names()}


def _shape(item: Any, known: Sequence[str]) -> dict[str, str]:
    """Say what stands in the place of a step, and what to do about it."""
    if isinstance(item, dict) and item:
        seen, next_step = ", ".join(item), "indent the settings by two more spaces than the procedure"
    elif isinstance(item, str):
        seen, next_step = item, f"write a colon after it: {item}:" if item in known else ""
    else:
        seen, next_step = "nothing" if not item else type(item).__name__, ""
    return {"seen": seen, "allowed": f"one of {', '.join(known)}", "next_step": next_step}


def _looks_like_quantity(text: str) -> bool:
    number, _, unit = text.strip().partition(" ")
    try:
        float(number)
    except ValueError:
        return False
    return bool(unit) and " " not in unit.strip()


def _set_value(name: str, text: str) -> Scalar:
    """Read the value of a ``--set`` as a plan would: ``1`` is a number, ``2350 MHz`` a text."""
    try:
        value = scalar(text)
    except ScalarError as error:
        raise UsageError(f"--set {name}={text}: {error}") from error
    if not isinstance(value, (str, int, float, bool)):
        raise UsageError(f"--set {name}={text}: a value is needed", next_step=f"write --set {name}=VALUE")
    if isinstance(value, str) and _looks_like_quantity(value):
        try:
            parse(value, None)
        except QuantityError as error:
            hint = error.next_step or f"allowed: {error.allowed}"
            raise UsageError(f"--set {name}={text}: {error.message}", next_step=hint) from error
    return value
