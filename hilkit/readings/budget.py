"""The uncertainty budget of a reading as data: one line for each thing that makes the number doubtful.

Terms follow JCGM 100:2008 (GUM): a line has an estimate, a standard uncertainty found from a distribution, a
sensitivity, degrees of freedom and the source of its figure. What is made of the lines (law of propagation,
coverage factor, Monte Carlo) belongs to ``hilkit.judgement``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any

__all__ = ["Budget", "BudgetLine", "Distribution"]


class Distribution(StrEnum):
    """How the values of a quantity are spread."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "U-shaped"
    TRAPEZOIDAL = "trapezoidal"
    STUDENT = "t"

    @property
    def divisor(self) -> float:
        """Half-width over standard uncertainty (JCGM 100, 4.3.7 and 4.3.9); 1 where no half-width exists."""
        return _DIVISORS.get(self, 1.0)


_DIVISORS = {
    Distribution.RECTANGULAR: math.sqrt(3.0),
    Distribution.TRIANGULAR: math.sqrt(6.0),
    Distribution.ARCSINE: math.sqrt(2.0),
}


@dataclass(frozen=True, kw_only=True)
class BudgetLine:
    """One quantity that a reading depends on.

    ``standard`` is the standard uncertainty and ``half_width`` the limit that it came from (``None`` for a
    type A figure), both in ``unit``. ``divisor`` is the divisor that was used: it differs from the
    distribution's own where more is known or less (a calibration with k = 2, two unknown reflection
    magnitudes). ``sensitivity`` is the change of the reading for one ``unit``. ``shared`` names the physical
    cause where other readings depend on the very same one (an element of a path, an instrument's level
    accuracy), empty where it is this reading's own; ``frequency_hz`` and ``length_m`` say at which frequency
    it counted and over which line its ripple repeats, since two readings share a ripple only in so far as
    they lie close.
    """

    quantity: str
    estimate: float
    unit: str
    standard: float
    distribution: Distribution
    divisor: float
    sensitivity: float = 1.0
    half_width: float | None = None
    degrees_of_freedom: float = math.inf
    source: str
    shared: str = ""
    frequency_hz: float | None = None
    length_m: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.standard) and self.standard >= 0):
            raise ValueError(
                f"{self.quantity}: a standard uncertainty is a number at or above 0, not {self.standard}"
            )
        if not self.degrees_of_freedom > 0:
            raise ValueError(
                f"{self.quantity}: degrees of freedom are above 0, not {self.degrees_of_freedom}"
            )

    @property
    def contribution(self) -> float:
        """Standard uncertainty that this line brings to the reading, with the sign of its sensitivity."""
        return self.sensitivity * self.standard

    @classmethod
    def from_half_width(
        cls,
        quantity: str,
        half_width: float,
        *,
        unit: str,
        source: str,
        distribution: Distribution = Distribution.RECTANGULAR,
        **more: object,
    ) -> BudgetLine:
        """Return a line whose figure is a limit +-``half_width`` of the given distribution."""
        fields: dict[str, object] = {
            "quantity": quantity,
            "estimate": 0.0,
            "unit": unit,
            "half_width": half_width,
            "standard": half_width / distribution.divisor,
            "distribution": distribution,
            "divisor": distribution.divisor,
            "source": source,
        }
        return cls(**{**fields, **more})  # type: ignore[arg-type]


@dataclass(frozen=True, kw_only=True)
class Budget:
    """All lines of one reading.

    ``correlations`` maps a pair of line numbers (first below second) to their correlation coefficient; a pair
    that is not there is uncorrelated.
    """

    unit: str
    lines: tuple[BudgetLine, ...]
    correlations: Mapping[tuple[int, int], float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        count = len(self.lines)
        for (first, second), r in self.correlations.items():
            if not 0 <= first < second < count:
                raise ValueError(f"no pair of lines ({first}, {second}) among {count}")
            if not -1 <= r <= 1:
                raise ValueError(f"a correlation coefficient lies in -1..1, not at {r}")

    def to_data(self) -> dict[str, Any]:
        """Return the budget as plain data for JSON; unlimited degrees of freedom become ``None``."""
        lines = [asdict(line) for line in self.lines]
        for line in lines:
            freedom = line["degrees_of_freedom"]
            line["degrees_of_freedom"] = freedom if math.isfinite(freedom) else None
        pairs = [[first, second, r] for (first, second), r in self.correlations.items()]
        return {"unit": self.unit, "lines": lines, "correlations": pairs}

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> Budget:
        """Return the budget that ``to_data`` made ``data`` of."""
        lines = []
        for fields in data["lines"]:
            freedom = fields["degrees_of_freedom"]
            known = {
                "distribution": Distribution(fields["distribution"]),
                "degrees_of_freedom": math.inf if freedom is None else freedom,
            }
            lines.append(BudgetLine(**{**fields, **known}))
        pairs = {(first, second): r for first, second, r in data["correlations"]}
        return cls(unit=data["unit"], lines=tuple(lines), correlations=pairs)
