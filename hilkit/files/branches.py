"""The errors of a validation, each at its path, and of each union only those of the branch that was meant."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from pydantic import ValidationError

from hilkit.files.shapes import near
from hilkit.quantities import QuantityError

__all__ = ["Failure", "failures"]

_ABSENT = ("missing", "extra_forbidden")
_TAGS = ("union_tag_invalid", "union_tag_not_found")
_FORM = (
    "model_type",
    "model_attributes_type",
    "dataclass_type",
    "dict_type",
    "mapping_type",
    "list_type",
    "tuple_type",
    "set_type",
    "frozen_set_type",
    "iterable_type",
    "string_type",
    "int_type",
    "float_type",
    "bool_type",
    "date_type",
    "none_required",
    "is_instance_of",
)
_WEIGHT = {"literal_error": 4, "enum": 4, "extra_forbidden": 2, "missing": 2}


@dataclass(frozen=True)
class Failure:
    """One error: its type, the path into the data, the value seen, and what else is known about it.

    ``labels`` are the union branches still to be chosen between, each with the length of the path before it,
    and ``chosen`` those that were. ``others`` are failures of other branches at the same place just as near.
    """

    kind: str
    path: tuple[str | int, ...]
    value: Any
    context: dict[str, Any]
    text: str
    at_key: bool = False
    labels: tuple[tuple[int, str], ...] = ()
    chosen: tuple[tuple[int, str], ...] = ()
    others: tuple[Failure, ...] = field(default=(), repr=False)

    @property
    def cause(self) -> BaseException | None:
        """The exception of a validator, if one raised it."""
        cause = self.context.get("error")
        return cause if isinstance(cause, BaseException) else None

    @property
    def wrong_form(self) -> bool:
        """True where this branch takes another form (text, number, list, mapping) than the value has."""
        unquoted = not isinstance(self.value, (str, int, float)) or isinstance(self.value, bool)
        if self.kind in ("literal_error", "enum"):
            return isinstance(self.value, (dict, list))
        return self.kind in _FORM or (unquoted and isinstance(self.cause, QuantityError))


def failures(error: ValidationError, data: Any) -> list[Failure]:
    """Return what is wrong with ``data``, one failure for each mistake."""
    return _reduced([_failure(one, data) for one in error.errors(include_url=False)])


def _failure(one: Any, data: Any) -> Failure:
    path: list[str | int] = []
    labels: list[tuple[int, str]] = []
    at_key = False
    parts: Sequence[str | int] = one["loc"]
    for number, part in enumerate(parts):
        last = number == len(parts) - 1
        if isinstance(data, dict) and str(part) in data:
            data = data[str(part)]
            path.append(str(part))
        elif isinstance(data, list) and isinstance(part, int) and 0 <= part < len(data):
            data = data[part]
            path.append(part)
        elif part == "[key]":
            at_key = True
        elif last and one["type"] in _ABSENT:
            path.append(part)
        else:
            labels.append((len(path), str(part)))
    context = one.get("ctx", {})
    if one["type"] in _TAGS:
        path.append(str(context["discriminator"]).strip("'"))
    return Failure(
        kind=one["type"],
        path=tuple(path),
        value=one["input"],
        context=context,
        text=one["msg"],
        at_key=at_key or one["type"] == "extra_forbidden",
        labels=tuple(labels),
    )


def _reduced(found: Iterable[Failure]) -> list[Failure]:
    result: list[Failure] = []
    unions: dict[tuple[str | int, ...], dict[str, list[Failure]]] = {}
    for failure in found:
        if not failure.labels:
            result.append(failure)
            continue
        choice, *rest = failure.labels
        branches = unions.setdefault(failure.path[: choice[0]], {})
        inner = replace(failure, labels=tuple(rest), chosen=(*failure.chosen, choice))
        branches.setdefault(choice[1], []).append(inner)
    for place, branches in unions.items():
        result += _best(place, [_reduced(branch) for branch in branches.values()])
    return result


def _best(place: tuple[str | int, ...], branches: list[list[Failure]]) -> list[Failure]:
    """Return the failures of the branch that the author most likely meant."""
    fitting = [
        branch for branch in branches if not any(one.path == place and one.wrong_form for one in branch)
    ]
    branches = fitting or branches
    deeper = [branch for branch in branches if any(one.path != place for one in branch)]
    if deeper:
        return _joined(min(deeper, key=_distance), deeper)
    first, *others = [one for branch in branches for one in branch]
    return [replace(first, others=(*first.others, *others))]


def _joined(best: list[Failure], branches: list[list[Failure]]) -> list[Failure]:
    """Return the best branch, with what those add that fail in the same way at the same places."""
    alike = [branch for branch in branches if branch is not best and _outline(branch) == _outline(best)]
    return [
        replace(one, others=(*one.others, *(branch[number] for branch in alike)))
        for number, one in enumerate(best)
    ]


def _outline(branch: list[Failure]) -> list[tuple[str, tuple[str | int, ...]]]:
    return [(one.kind, one.path) for one in branch]


def _distance(branch: list[Failure]) -> int:
    """Return how far the data is from a branch; a misspelt key, which is also a missing one, counts once."""
    total = sum(_WEIGHT.get(one.kind, 1) for one in branch)
    for one in branch:
        if one.kind == "union_tag_not_found" and isinstance(one.value, dict):
            total += 1 + len(one.value)  # none of its keys could be looked at
        place = one.path[:-1]
        missing = [other.path for other in branch if other.kind == "missing"]
        absent = [str(path[-1]) for path in missing if path[:-1] == place]
        if one.kind == "extra_forbidden" and near(str(one.path[-1]), absent):
            total -= _WEIGHT["extra_forbidden"] + _WEIGHT["missing"] - 1
    return total
