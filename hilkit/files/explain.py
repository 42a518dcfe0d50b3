"""Validation errors in words that a test engineer can act on."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from hilkit.files.branches import Failure
from hilkit.files.model import Mistake
from hilkit.files.shapes import Shapes, near
from hilkit.quantities import QuantityError

__all__ = ["Words", "explain"]


@dataclass(frozen=True, kw_only=True)
class Words:
    """What a message says, and the path it is put at.

    ``missing`` is the key that is not there, ``meant`` the one that a misspelt key stands for; ``needs_text``
    is true where quotes would make the value what is needed.
    """

    message: str
    path: tuple[str | int, ...]
    seen: str = ""
    allowed: str = ""
    next_step: str = ""
    at_key: bool = False
    missing: str = ""
    meant: str = ""
    needs_text: bool = False


# Type of error to what is needed and what is allowed; {name} is filled from the error's own context.
_PLAIN: dict[str, tuple[str, str]] = {
    "int_type": ("a whole number is needed here", "a number such as 3, without a point and without quotes"),
    "int_from_float": ("a whole number is needed here", "a number such as 3, without a point"),
    "int_parsing": ("a whole number is needed here", "a number such as 3"),
    "int_parsing_size": ("the number is too large", "a smaller whole number"),
    "float_type": ("a number is needed here", "a number such as 0.5, without unit and quotes"),
    "float_parsing": ("a number is needed here", "a number such as 0.5"),
    "finite_number": ("a finite number is needed here", "a number such as 0.5"),
    "bool_type": ("true or false is needed here", "true, false"),
    "bool_parsing": ("true or false is needed here", "true, false"),
    "string_type": ("a text is needed here", 'a text; a number in "quotes" is a text too'),
    "string_pattern_mismatch": (
        "the text has not the form that is needed here",
        "a text that matches {pattern}",
    ),
    "string_too_short": ("the text is too short", "at least {min_length} characters"),
    "string_too_long": ("the text is too long", "at most {max_length} characters"),
    "list_type": ("a list is needed here", "[first, second], or a line with '- ' for each item"),
    "tuple_type": ("a list is needed here", "[first, second], or a line with '- ' for each item"),
    "set_type": ("a list is needed here", "[first, second], each item once"),
    "frozen_set_type": ("a list is needed here", "[first, second], each item once"),
    "iterable_type": ("a list is needed here", "[first, second], or a line with '- ' for each item"),
    "too_short": ("there are too few items", "at least {min_length} (there are {actual_length})"),
    "too_long": ("there are too many items", "at most {max_length} (there are {actual_length})"),
    "greater_than": ("the number is out of range", "above {gt}"),
    "greater_than_equal": ("the number is out of range", "{ge} or more"),
    "less_than": ("the number is out of range", "below {lt}"),
    "less_than_equal": ("the number is out of range", "{le} or less"),
    "multiple_of": ("the number does not fall on a step", "a multiple of {multiple_of}"),
    "date_type": ("a date is needed here", "year-month-day, such as 2027-03-31"),
    "date_parsing": ("a date is needed here", "year-month-day, such as 2027-03-31"),
    "date_from_datetime_parsing": ("a date is needed here", "year-month-day, such as 2027-03-31"),
    "date_from_datetime_inexact": (
        "a date without a time is needed here",
        "year-month-day, such as 2027-03-31",
    ),
    "datetime_type": ("a date and time is needed here", "such as 2027-03-31T18:00:00Z"),
    "datetime_parsing": ("a date and time is needed here", "such as 2027-03-31T18:00:00Z"),
    "datetime_from_date_parsing": ("a date and time is needed here", "such as 2027-03-31T18:00:00Z"),
    "none_required": ("nothing may stand here", "no value"),
    "path_type": ("the name of a file is needed here", "a text such as cables/blue.s2p"),
}
_MAPPINGS = ("model_type", "model_attributes_type", "dataclass_type", "dict_type", "mapping_type")


def explain(failure: Failure, shapes: Shapes, data: Any) -> Words:
    """Return the words for one failure of validation."""
    words = _one(failure, shapes, data)
    if not failure.others:
        return words
    others = [_one(other, shapes, data) for other in failure.others]
    every = [words, *others]
    messages = list(dict.fromkeys(one.message for one in every))
    return replace(
        words,
        message=messages[0] if len(messages) == 1 else "this fits none of the forms that are allowed here",
        allowed="; or ".join(dict.fromkeys(one.allowed for one in every if one.allowed)),
        next_step=next((one.next_step for one in every if one.next_step), ""),
    )


def _one(failure: Failure, shapes: Shapes, data: Any) -> Words:
    if failure.cause is not None:
        return _raised(failure, failure.cause)
    if failure.kind in _MAPPINGS:
        return _mapping_needed(failure, shapes, data)
    special = _SPECIAL.get(failure.kind)
    if special:
        return special(failure, shapes, data)
    needed, allowed = _PLAIN.get(failure.kind, (_own_words(failure.text), ""))
    numbers = {key: _short(value) for key, value in failure.context.items()}
    return Words(
        message=needed,
        path=failure.path,
        seen=form(failure.value),
        allowed=allowed.format_map(numbers) if numbers else allowed,
        at_key=failure.at_key,
        needs_text=failure.kind == "string_type" and isinstance(failure.value, (int, float)),
    )


def _raised(failure: Failure, cause: BaseException) -> Words:
    if isinstance(cause, Mistake):
        return Words(
            message=cause.message,
            path=(*failure.path, *cause.at),
            seen=cause.seen,
            allowed=cause.allowed,
            next_step=cause.next_step,
            at_key=cause.at_key or failure.at_key,
        )
    if isinstance(cause, QuantityError):
        return Words(
            message=cause.message,
            path=failure.path,
            seen=cause.seen or form(failure.value),
            allowed=cause.allowed,
            next_step=cause.next_step,
            at_key=failure.at_key,
        )
    seen = form(failure.value) if not isinstance(failure.value, (dict, list)) else ""
    return Words(message=str(cause), path=failure.path, seen=seen, at_key=failure.at_key)


def _missing(failure: Failure, shapes: Shapes, data: Any) -> Words:
    place, last = failure.path[:-1], failure.path[-1]
    if isinstance(last, int):
        least = max((shape.get("minItems", 0) for shape in shapes.at(place, data, failure.chosen)), default=0)
        return Words(
            message="there are too few items",
            path=place,
            seen="a list",
            allowed=f"at least {least} (there are {len(failure.value)})",
        )
    key = str(last)
    example = shapes.example(failure.path, data, failure.chosen)
    return Words(
        message=f"the key {key!r} is missing",
        path=place,
        allowed=_keyed(key, shapes.describe(failure.path, data, failure.chosen)),
        next_step=f"add {key}: {example}" if example else f"add {key}",
        at_key=True,
        missing=key,
    )


def _unknown(failure: Failure, shapes: Shapes, data: Any) -> Words:
    key = str(failure.path[-1])
    keys = shapes.keys(failure.path[:-1], data, failure.chosen)
    meant = near(key, keys)
    next_step = f"did you mean {meant}?" if meant else ""
    if failure.value is None and (glued := re.fullmatch(r"(\w+):(\S.*)", key)):
        next_step = f"write a space after the colon: {glued[1]}: {glued[2]}"
    return Words(
        message=f"the key {key!r} is not known here",
        path=failure.path,
        seen=key,
        allowed=", ".join(keys),
        next_step=next_step,
        at_key=True,
        meant=meant,
    )


def _word(failure: Failure, shapes: Shapes, data: Any) -> Words:
    expected = str(failure.context.get("expected", ""))
    words = re.findall(r"'([^']*)'|(-?\d+)", expected)
    allowed = [text or number for text, number in words] or shapes.words(failure.path, data, failure.chosen)
    meant = near(str(failure.value), allowed) if isinstance(failure.value, str) else ""
    return Words(
        message="this is none of the words that are allowed here",
        path=failure.path,
        seen=form(failure.value),
        allowed=", ".join(allowed),
        next_step=f"did you mean {meant}?" if meant else "",
        at_key=failure.at_key,
    )


def _tag(failure: Failure, shapes: Shapes, data: Any) -> Words:
    key = str(failure.context.get("discriminator", "")).strip("'")
    allowed = re.findall(r"'([^']*)'", str(failure.context.get("expected_tags", "")))
    allowed = allowed or shapes.tags(failure.path[:-1], data)
    if failure.kind == "union_tag_not_found":
        return Words(
            message=f"the key {key!r} is missing",
            path=failure.path[:-1],
            allowed=_keyed(key, ", ".join(allowed)),
            next_step=f"add {key}",
            at_key=True,
            missing=key,
        )
    seen = str(failure.context.get("tag", ""))
    meant = near(seen, allowed)
    return Words(
        message="this is none of the words that are allowed here",
        path=failure.path,
        seen=seen,
        allowed=", ".join(allowed),
        next_step=f"did you mean {meant}?" if meant else "",
    )


def _mapping_needed(failure: Failure, shapes: Shapes, data: Any) -> Words:
    keys = shapes.keys(failure.path, data, failure.chosen)
    glued = re.match(r"(\w+):(\S.*)", failure.value) if isinstance(failure.value, str) else None
    hint = f"write a space after the colon: {glued[1]}: {glued[2].splitlines()[0]}" if glued else ""
    if "off" in keys and failure.value in (False, "off") and failure.path:
        hint = f"to switch it off say why: {failure.path[-1]}: {{off: REASON}}"
    return Words(
        message="keys with values are needed here",
        path=failure.path,
        seen=form(failure.value),
        allowed=f"the keys {', '.join(keys)}"
        if keys
        else shapes.example(failure.path, data, failure.chosen) or "lines of key: value",
        next_step=hint,
    )


_SPECIAL: dict[str, Callable[[Failure, Shapes, Any], Words]] = {
    "missing": _missing,
    "extra_forbidden": _unknown,
    "literal_error": _word,
    "enum": _word,
    "union_tag_invalid": _tag,
    "union_tag_not_found": _tag,
}


def form(value: Any) -> str:
    """Return a value as it would look in a file, or in words where it is no scalar."""
    if value is None:
        return "nothing"
    if isinstance(value, dict):
        return "keys with values"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, bool):
        return json.dumps(value)
    text = str(value)
    return text if len(text) <= 80 else text[:77] + "..."


def _keyed(key: str, what: str) -> str:
    return what if what.startswith(f"{key}: ") else f"{key}: {what}" if what else ""


def _short(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _own_words(text: str) -> str:
    """Return the validator's sentence without its way of speaking about input."""
    return re.sub(r"^(Input|Value) should", "this should", text)
