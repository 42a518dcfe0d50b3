"""The decision rule as it stands in a plan."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from hilkit.errors import FileProblems, Problem
from hilkit.files import Document, FileModel, Mistake, validate
from hilkit.judgement import DecisionRule, Rule
from hilkit.quantities import Fraction, QuantityError, parse

__all__ = ["DecisionFile", "read_rule"]

_MOST = 0.5


def _factor(value: Any) -> Any:
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not number or not value >= 0:
        raise Mistake(
            "r is how many times the expanded uncertainty the guard band is wide: a number, 0 or more",
            seen=str(value),
            allowed="1 for less than 2.5 % false acceptance, 0.83 for less than 5 %, 1.5 for less than 0.2 %",
        )
    return float(value)


def _probability(value: Any) -> Any:
    try:
        share = parse(value, Fraction).value if isinstance(value, str) else None
    except QuantityError:
        share = None
    if share is None or not 0 < share <= _MOST:
        raise Mistake(
            "the probability of false acceptance lies above 0 % and up to 50 %",
            seen=str(value),
            allowed="a value in %, such as 2.5 %; 50 % is what simple acceptance allows at its limit",
        )
    return value


class DecisionFile(FileModel):
    """How an uncertainty enters the verdict."""

    rule: Literal["simple_acceptance", "guard_band", "false_acceptance"] = Field(
        description="simple_acceptance, guard_band (with r), or false_acceptance (with probability)"
    )
    r: Annotated[Any, BeforeValidator(_factor), WithJsonSchema({"type": "number", "minimum": 0})] = Field(
        default=None, description="guard_band: its width in expanded uncertainties; 1 if not given"
    )
    probability: Annotated[
        Any, BeforeValidator(_probability), WithJsonSchema({"type": "string", "examples": ["2.5 %"]})
    ] = Field(
        default=None,
        description="false_acceptance: the highest probability of accepting wrongly; 2.5 % if not given",
    )


def read_rule(document: Document, data: Any, at: tuple[str | int, ...]) -> tuple[DecisionRule, list[Problem]]:
    """Return the rule that ``data`` at this place states, and what is wrong with it."""
    try:
        file = validate(document, DecisionFile, at=at, data=data)
    except FileProblems as error:
        return DecisionRule(), list(error.problems)
    owners = {"r": Rule.GUARD_BAND, "probability": Rule.FALSE_ACCEPTANCE}
    idle = [
        document.problem(
            (*at, key),
            f"{key} belongs to the rule {owner}, not to {file.rule}",
            next_step="take this key away, or name the other rule",
        )
        for key, owner in owners.items()
        if getattr(file, key) is not None and file.rule != owner
    ]
    values: dict[str, Any] = {} if file.r is None else {"r": file.r}
    if file.probability is not None:
        values["probability"] = parse(file.probability, Fraction).value
    return DecisionRule(rule=Rule(file.rule), **values), idle
