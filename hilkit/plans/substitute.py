"""``$name`` and sums of quantities: all that a plan can compute.

::

    carrier: $carrier             the value itself, of whatever kind
    to: $carrier + 20 MHz         a sum of quantities, a space on both sides of each sign
    low: 2350 MHz - $offset - 5 MHz

There is nothing more: no brackets, no factors, no functions, no text built from parts.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from hilkit.files.notes import did_you_mean
from hilkit.plans.plan import Scalar
from hilkit.quantities import Quantity, QuantityError, parse

__all__ = ["NAME", "SubstitutionError", "names_in", "resolve", "substitute"]

NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
"""What a name of ``vary`` or ``--set`` looks like."""

_WHOLE = re.compile(rf"\$({NAME.pattern})")
_SIGN = re.compile(r"\s+([+-])\s+")
_LITERAL = re.compile(r"[+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?\s*[^\s0-9.]\S*")
_NUMBER = re.compile(r"[+-]?[0-9.].*")


class SubstitutionError(ValueError):
    """A ``$name`` or a sum in a plan cannot be worked out."""

    def __init__(self, message: str, *, seen: str = "", allowed: str = "", next_step: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.seen = seen
        self.allowed = allowed
        self.next_step = next_step


def names_in(value: Any) -> set[str]:
    """Return every name that stands behind a ``$`` in a value, a list or a mapping."""
    if isinstance(value, str):
        return set(re.findall(rf"\$({NAME.pattern})", value))
    if isinstance(value, dict):
        return set().union(*(names_in(item) for item in value.values()))
    if isinstance(value, list):
        return set().union(*(names_in(item) for item in value))
    return set()


def resolve(
    value: Any,
    values: Mapping[str, Scalar],
    *,
    at: tuple[str | int, ...],
    wrong: Callable[[tuple[str | int, ...], SubstitutionError], None],
) -> Any:
    """Return ``value`` with every ``$name`` and sum in it worked out, through lists and mappings.

    ``at`` is its place; ``wrong`` is told each place where that is not possible, and the text stays.
    """
    if isinstance(value, dict):
        return {key: resolve(item, values, at=(*at, key), wrong=wrong) for key, item in value.items()}
    if isinstance(value, list):
        return [resolve(item, values, at=(*at, index), wrong=wrong) for index, item in enumerate(value)]
    if not isinstance(value, str):
        return value
    try:
        return substitute(value, values)
    except SubstitutionError as error:
        wrong(at, error)
        return value


def substitute(text: str, values: Mapping[str, Scalar]) -> Scalar:
    """Return what one text of the plan stands for; text without ``$name`` or a sum is returned as it is.

    ``SubstitutionError`` for an unknown name, a sum of what does not add up, or a ``$`` that is neither.
    """
    if whole := _WHOLE.fullmatch(text.strip()):
        return _value(whole[1], values)
    terms = _SIGN.split(text.strip())
    literal = _NUMBER if "$" in text else _LITERAL
    if len(terms) > 1 and all(_WHOLE.fullmatch(term) or literal.fullmatch(term) for term in terms[::2]):
        return _sum(text, terms, values)
    if "$" in text:
        for name in sorted(names_in(text)):
            _value(name, values)
        raise SubstitutionError(
            "a $name stands alone, or in a sum of quantities",
            seen=text,
            allowed="$name, $name + 20 MHz, 20 MHz - $name",
            next_step="put a space on both sides of each sign; write anything but a sum into vary",
        )
    return text


def _value(name: str, values: Mapping[str, Scalar]) -> Scalar:
    if name in values:
        return values[name]
    raise SubstitutionError(
        f"nothing gives ${name} a value",
        seen=f"${name}",
        allowed=", ".join(f"${known}" for known in values)
        or "no name: the plan has no vary, and --set was not used",
        next_step=did_you_mean(name, values) or f"add {name} to vary, or run with --set {name}=VALUE",
    )


def _sum(text: str, terms: list[str], values: Mapping[str, Scalar]) -> str:
    total = _quantity(terms[0], values)
    for sign, term in zip(terms[1::2], terms[2::2], strict=True):
        other = _quantity(term, values)
        try:
            total = total + other if sign == "+" else total - other
        except QuantityError as error:
            raise SubstitutionError(
                f"this sum does not work out: {error.message}", seen=error.seen or text, allowed=error.allowed
            ) from error
    return str(total)


def _quantity(term: str, values: Mapping[str, Scalar]) -> Quantity:
    value = _value(term[1:], values) if term.startswith("$") else term
    try:
        if not isinstance(value, str):
            raise QuantityError("a unit is missing", allowed="a quantity such as 20 MHz")
        return parse(value, None)
    except QuantityError as error:
        raise SubstitutionError(
            f"a sum joins quantities with their units: {error.message}",
            seen=str(value),
            allowed=error.allowed,
        ) from error
