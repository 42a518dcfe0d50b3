"""The units of readings, and limit texts turned into numbers of such a unit."""

from __future__ import annotations

import math

from hilkit.quantities.errors import QuantityError
from hilkit.quantities.kinds import (
    Angle,
    Current,
    Density,
    Duration,
    Fraction,
    Frequency,
    FullScaleLevel,
    Level,
    Power,
    Ratio,
    RelativeDensity,
    Temperature,
    Voltage,
)
from hilkit.quantities.number import float_of, read_decimal
from hilkit.quantities.quantity import Quantity, parse

__all__ = ["READING_UNITS", "difference_unit", "limit_number", "unit_of_reading"]

READING_UNITS: dict[str, type[Quantity] | None] = {
    "dBm": Level,
    "dBc": Ratio,
    "dB": Ratio,
    "Hz": Frequency,
    "s": Duration,
    "dBm/Hz": Density,
    "dBc/Hz": RelativeDensity,
    "%": Fraction,
    "ppm": Fraction,
    "W": Power,
    "V": Voltage,
    "A": Current,
    "°C": Temperature,
    "deg": Angle,
    "dBFS": FullScaleLevel,
    "1": None,
}
"""Unit of a reading to the kind of quantity that its limits are written as; ``1`` is a plain number."""


def unit_of_reading(text: str) -> type[Quantity] | None:
    """Return the kind of quantity behind a reading's unit, ``None`` for ``1``.

    ``QuantityError`` for a text that is no unit of a reading.
    """
    try:
        return READING_UNITS[text]
    except KeyError:
        raise QuantityError(
            f"{text!r} is no unit of a reading", seen=text, allowed=", ".join(READING_UNITS)
        ) from None


def difference_unit(unit: str) -> str:
    """Return the unit of the difference of two readings in ``unit``: dB for everything on a decibel scale."""
    unit_of_reading(unit)
    return "dB" if unit.startswith("dB") else unit


def limit_number(text: str | float, unit: str) -> float:
    """Return a limit as a number in the reading's ``unit``.

    A reading of unit ``1`` takes plain numbers, every other one a text with a unit of the same kind. ``dB``
    and ``dBc`` are kept apart: a limit in dB on a reading in dBc is more often a slip than meant.
    """
    kind = unit_of_reading(unit)
    if kind is None:
        return _plain(text)
    quantity = parse(text if isinstance(text, str) else _shown(text), kind)
    if kind is Ratio and quantity.unit != unit:
        raise QuantityError(
            f"the reading is in {unit}, the limit in {quantity.unit}",
            seen=quantity.text,
            allowed=f"a number and the unit {unit}",
            next_step=f"write {quantity.text.removesuffix(quantity.unit)}{unit}, if that is meant",
        )
    return quantity.number(unit)


def _shown(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _plain(text: str | float) -> float:
    allowed = "a plain number such as 3 or 0.5, without a unit"
    if isinstance(text, str):
        number = read_decimal(text.strip())
        if number is None:
            raise QuantityError("a plain number is needed here, without a unit", seen=text, allowed=allowed)
        return float_of(number, seen=text)
    if isinstance(text, bool) or not isinstance(text, (int, float)) or not math.isfinite(text):
        raise QuantityError("a finite number is needed here", seen=_shown(text), allowed=allowed)
    return float(text)
