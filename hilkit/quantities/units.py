"""The closed table of units. Whatever is not here is not a unit."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

__all__ = ["PREFIXES", "Unit", "near_units", "plain_units", "prefixed_units"]

PREFIXES = {
    "T": 12,
    "G": 9,
    "M": 6,
    "k": 3,
    "": 0,
    "m": -3,
    "µ": -6,
    "μ": -6,  # Greek mu: what some keyboards and converters give for the micro sign
    "u": -6,
    "n": -9,
    "p": -12,
    "f": -15,
}
"""SI prefixes that a bench uses, with their power of ten; ``u`` stands for ``µ``."""

_TWINS = {"μ": "µ", "u": "µ"}


@dataclass(frozen=True, kw_only=True)
class Unit:
    """One spelling of a unit: ``scale`` is its size in the base unit of its kind.

    ``shown_as`` is the spelling that is printed for it. ``automatic`` units are those that a value without a
    unit of its own may be printed in.
    """

    symbol: str
    scale: Decimal
    shown_as: str
    automatic: bool = False


def prefixed_units(base: str, prefixes: str) -> tuple[Unit, ...]:
    """Return a base unit with each of the given prefixes, and the spellings that mean the same."""
    wanted = {"", *prefixes}
    wanted |= {twin for twin, letter in _TWINS.items() if letter in wanted}
    return tuple(
        Unit(
            symbol=letter + base,
            scale=Decimal(1).scaleb(power),
            shown_as=_TWINS.get(letter, letter) + base,
            automatic=letter not in _TWINS,
        )
        for letter, power in PREFIXES.items()
        if letter in wanted
    )


def plain_units(**scales: str) -> tuple[Unit, ...]:
    """Return units without prefixes that are never chosen by themselves, such as ``min``."""
    return tuple(Unit(symbol=name, scale=Decimal(scale), shown_as=name) for name, scale in scales.items())


def near_units(seen: str, symbols: Iterable[str]) -> list[str]:
    """Return the units that a person may have meant: the same letters in other case first, then near ones."""
    pool = list(symbols)
    other_case = [symbol for symbol in pool if symbol.casefold() == seen.casefold()]
    return other_case or difflib.get_close_matches(seen, pool, n=2, cutoff=0.6)
