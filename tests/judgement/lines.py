"""Budget lines for the tests of this package, in dB."""

from __future__ import annotations

import math
from typing import Any

from hilkit.readings import Budget, BudgetLine, Distribution


def normal(standard: float, freedom: float = math.inf, **more: Any) -> BudgetLine:
    fields: dict[str, Any] = {"quantity": "scatter", "estimate": 0.0, "unit": "dB", "source": "readings"}
    return BudgetLine(
        **{**fields, **more},
        standard=standard,
        distribution=Distribution.NORMAL,
        divisor=1.0,
        degrees_of_freedom=freedom,
    )


def within(
    half_width: float, distribution: Distribution = Distribution.RECTANGULAR, **more: Any
) -> BudgetLine:
    fields: dict[str, Any] = {"quantity": "level", "unit": "dB", "source": "bench file", **more}
    return BudgetLine.from_half_width(half_width=half_width, distribution=distribution, **fields)


def ripple(half_width: float, **more: Any) -> BudgetLine:
    return within(half_width, Distribution.ARCSINE, **{"quantity": "mismatch", **more})


def budget(*lines: BudgetLine, unit: str = "dB", **more: Any) -> Budget:
    return Budget(unit=unit, lines=lines, **more)
