"""A plan: what to find out, in which order, for which combinations; and its digest."""

from __future__ import annotations

import hashlib
import itertools
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import BaseModel, Field, field_validator

from hilkit.errors import UsageError
from hilkit.files import Document, FileModel, Mistake
from hilkit.judgement import SIMPLE_ACCEPTANCE, DecisionRule, Limit
from hilkit.plans.decision import DecisionFile
from hilkit.procedures.contract import Procedure, Settings
from hilkit.quantities import Quantity

__all__ = [
    "Combination",
    "Plan",
    "PlanFile",
    "Scalar",
    "Step",
    "combinations_of",
    "plan_hash",
    "step_content",
    "step_hash",
]

Scalar = str | int | float | bool
"""One value of ``vary``: a quantity as text, a name, or a plain number."""


class PlanFile(FileModel):
    """The plan file: a title, the bench it is meant for, what varies, and the steps in their order."""

    plan: str = Field(min_length=1, description="the title, one line for people", examples=["night check"])
    comment: str | None = Field(default=None, description="anything that a reader of the plan should know")
    bench: str | None = Field(default=None, description="name or path of the bench; --bench overrides it")
    vary: dict[str, list[Any]] = Field(
        default_factory=dict,
        description="name: [values]; every combination runs all steps, the last name fastest",
    )
    decision: DecisionFile | None = Field(
        default=None, description="the decision rule of all steps; simple acceptance if not given"
    )
    allow_expired_calibration: str | None = Field(
        default=None,
        min_length=1,
        description="why verdicts count although an instrument's calibration ran out; kept in the record",
    )
    steps: list[Any] = Field(
        min_length=1, description="one procedure each: {procedure: {setting: value, id: ..., limits: {...}}}"
    )

    @field_validator("vary", mode="before")
    @classmethod
    def _names_with_values(cls, value: Any) -> Any:
        if isinstance(value, dict):
            return value
        listed = isinstance(value, list)
        raise Mistake(
            "keys with values are needed here",
            seen="a list" if listed else "nothing" if value is None else str(value),
            allowed="name: [values], such as carrier: [1842.5 MHz, 2350 MHz]",
            next_step="leave the '- ' in front of each name away" if listed else "",
        )


@dataclass(frozen=True, kw_only=True)
class Combination:
    """One choice of a value for every name of ``vary``, in the order of the plan."""

    vary: tuple[tuple[str, str], ...] = ()

    def __str__(self) -> str:
        return ", ".join(f"{name}={value}" for name, value in self.vary)


def combinations_of(vary: Mapping[str, Sequence[Scalar]]) -> list[tuple[Combination, dict[str, Scalar]]]:
    """Return every combination with its values, the last name fastest; an empty one where nothing varies."""
    return [
        (
            Combination(
                vary=tuple((name, scalar_text(value)) for name, value in zip(vary, values, strict=True))
            ),
            dict(zip(vary, values, strict=True)),
        )
        for values in itertools.product(*vary.values())
    ]


def scalar_text(value: Scalar) -> str:
    """Return a value of ``vary`` as it stands in a reading's key."""
    return str(value).lower() if isinstance(value, bool) else str(value)


@dataclass(frozen=True, kw_only=True)
class Step:
    """One procedure of the plan, with its settings and limits for every combination.

    ``index`` counts from 0 in the file. Look settings and limits up by combination.
    """

    id: str
    index: int
    procedure: Procedure[Any]
    settings_by_combination: Mapping[Combination, Settings]
    limits_by_combination: Mapping[Combination, Mapping[str, tuple[Limit, ...]]]
    rule: DecisionRule = SIMPLE_ACCEPTANCE

    def settings(self, combination: Combination) -> Settings:
        """Return the procedure's settings in this combination."""
        return self.settings_by_combination[combination]

    def limits(self, combination: Combination) -> Mapping[str, tuple[Limit, ...]]:
        """Return reading name to its limits, at most one a phase."""
        return self.limits_by_combination[combination]

    def limit(self, combination: Combination, name: str, phase: str = "") -> Limit | None:
        """Return the limit on one reading in one phase, ``None`` where there is none."""
        for limit in self.limits(combination).get(name, ()):
            if limit.phase == phase:
                return limit
        return None


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A plan that was read and found to be without mistakes.

    ``bench`` is the name or path from ``--bench`` or else from the plan; ``None`` if neither gives one.
    ``sets`` are the ``--set`` values, which are also part of every combination. ``rule`` is the decision rule
    of steps that have none of their own. ``allow_expired_calibration`` is the reason for which verdicts count
    with an expired calibration, empty where they do not.
    """

    title: str
    path: Path
    bench: str | None
    combinations: tuple[Combination, ...]
    steps: tuple[Step, ...]
    document: Document = field(repr=False)
    sets: Mapping[str, str] = field(default_factory=dict)
    rule: DecisionRule = SIMPLE_ACCEPTANCE
    allow_expired_calibration: str = ""

    @property
    def name(self) -> str:
        """Short name for folders and reports: that of the file without its ending."""
        return self.path.stem

    def bench_name(self) -> str:
        """Return the bench to run on; ``UsageError`` where neither plan nor command line names one."""
        if self.bench is None:
            raise UsageError(
                f"{self.path}: the plan names no bench, and none was given",
                next_step="add a line 'bench: NAME' to the plan, or run it with --bench NAME",
            )
        return self.bench

    def step(self, step_id: str) -> Step:
        """Return a step by its id; ``KeyError`` if there is none."""
        return {step.id: step for step in self.steps}[step_id]

    def runs(self) -> Iterator[tuple[Combination, Step]]:
        """Yield what runs, in order: all steps of a combination before the next combination."""
        for combination in self.combinations:
            for step in self.steps:
                yield combination, step


def step_hash(step: Step, combination: Combination) -> str:
    """Return the SHA-256 (hex) of all that decides what a step does, and how it is judged."""
    return _digest(step_content(step, combination))


def plan_hash(plan: Plan) -> str:
    """Return the SHA-256 (hex) of the plan's resolved content: title, and every step of every combination.

    Comments, layout, the order of keys and the unit that a quantity is written in do not count; procedure
    versions and the version of hilkit do. The bench is no part of it.
    """
    runs = [step_content(step, c) for c, step in plan.runs()]
    return _digest({"plan": plan.title, "expired": plan.allow_expired_calibration, "runs": runs})


def step_content(step: Step, combination: Combination) -> dict[str, Any]:
    """Return as plain data all that decides what a step does, and how it is judged."""
    from hilkit import __version__

    return {
        "hilkit": __version__,
        "step": step.id,
        "procedure": step.procedure.name,
        "version": step.procedure.version,
        "vary": combination.vary,
        "settings": _plain(step.settings(combination)),
        "decision": [str(step.rule.rule), step.rule.r, step.rule.probability],
        "limits": {
            name: [_limit_content(limit) for limit in limits]
            for name, limits in sorted(step.limits(combination).items())
        },
    }


def _limit_content(limit: Limit) -> list[Any]:
    other = limit.reference and [limit.reference.step, limit.reference.name, limit.reference.phase]
    mask = limit.mask and [[point.at, point.low, point.high] for point in limit.mask.points]
    content = [limit.phase, limit.unit, limit.low, limit.high, limit.nominal, mask, other]
    return [*content, limit.origin] if limit.origin else content


def _plain(value: Any) -> Any:
    """Return settings as plain data in which equal values look equal."""
    if isinstance(value, BaseModel):
        return {name: _plain(getattr(value, name)) for name in type(value).model_fields}
    if isinstance(value, Quantity):
        return [type(value).__name__, value.base]
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value


def _digest(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
