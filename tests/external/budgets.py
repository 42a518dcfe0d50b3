"""Budget lines as published examples give them."""

from __future__ import annotations

import math
from typing import Any

from hilkit.readings import Budget, BudgetLine, Distribution


def normal(standard: float, freedom: float = math.inf, **more: Any) -> BudgetLine:
    """A line with a standard uncertainty and its degrees of freedom."""
    fields: dict[str, Any] = {"quantity": "scatter", "estimate": 0.0, "unit": "1", "source": "published"}
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
    """A line that is a limit."""
    fields: dict[str, Any] = {"quantity": "limit", "unit": "1", "source": "published", **more}
    return BudgetLine.from_half_width(half_width=half_width, distribution=distribution, **fields)


def budget(*lines: BudgetLine, unit: str = "1", **more: Any) -> Budget:
    return Budget(unit=unit, lines=lines, **more)
