"""The uncertainty budget of a reading as data: one line for each thing that makes the number doubtful.

Terms follow JCGM 100:2008 (GUM): a line has an estimate, a standard uncertainty found from a distribution, a
sensitivity, degrees of freedom and the source of its figure. What is made of the lines (law of propagation,
coverage factor, Monte Carlo) belongs to ``hilkit.judgement``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from hilkit.errors import UsageError

__all__ = ["Budget", "BudgetLine", "Distribution", "UncertaintyError"]


class UncertaintyError(UsageError, ValueError):
    """An uncertainty that cannot be: no width, a negative figure, a correlation above 1."""


class Distribution(StrEnum):
    """How the values of a quantity are spread.

    The last five belong to a ripple ``a b cos(phase)`` of two reflections with unknown phase (mismatch). What
    is known of each magnitude makes the spread: both known gives the U shape, one known and one anywhere in a
    disc the semicircle.
    """

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "U-shaped"
    TRAPEZOIDAL = "trapezoidal"
    STUDENT = "t"
    SEMICIRCLE = "semicircle"
    TWO_DISCS = "two discs"
    ONE_MAGNITUDE = "one uniform magnitude"
    DISC_AND_MAGNITUDE = "disc and uniform magnitude"
    TWO_MAGNITUDES = "two uniform magnitudes"

    @property
    def divisor(self) -> float:
        """Half-width over standard uncertainty (JCGM 100, 4.3.7 and 4.3.9); 1 where no half-width exists.

        Of a ripple: the limit a b over sqrt(E[a^2] E[b^2] / 2), with E[a^2] = max^2 / 2 in a disc and
        max^2 / 3 for a magnitude that is uniform from 0.
        """
        return _DIVISORS.get(self, 1.0)


_DIVISORS = {
    Distribution.RECTANGULAR: math.sqrt(3.0),
    Distribution.TRIANGULAR: math.sqrt(6.0),
    Distribution.ARCSINE: math.sqrt(2.0),
    Distribution.SEMICIRCLE: 2.0,
    Distribution.TWO_DISCS: math.sqrt(8.0),
    Distribution.ONE_MAGNITUDE: math.sqrt(6.0),
    Distribution.DISC_AND_MAGNITUDE: math.sqrt(12.0),
    Distribution.TWO_MAGNITUDES: math.sqrt(18.0),
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
    they lie close. ``length_m`` is the electrical length: the mechanical one over the velocity factor.
    ``stated`` is false for a part that nobody has given a figure for: its standard uncertainty of 0 means
    "not known", and the uncertainty made of the budget is too small by it.

    A trapezoid has its shape from ``half_width`` and ``standard`` together. A rectangle with finite degrees
    of freedom is one whose limits are themselves not exactly known (JCGM 100, G.4.2; JCGM 101, 6.4.3).

    Raises ``UncertaintyError`` for a figure that cannot be.
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
    stated: bool = True

    def __post_init__(self) -> None:
        self._check_numbers()
        width = self.half_width
        if width is not None and not (math.isfinite(width) and width >= 0):
            raise UncertaintyError(f"{self.quantity}: a half-width is a number at or above 0, not {width}")
        if self.distribution is Distribution.TRAPEZOIDAL and self.standard:
            ratio = 0.0 if width is None else width / self.standard
            if not math.sqrt(3.0) * (1 - 1e-9) <= ratio <= math.sqrt(6.0) * (1 + 1e-9):
                raise UncertaintyError(
                    f"{self.quantity}: a trapezoid needs its half-width, between sqrt(3) and sqrt(6)"
                    f" times the standard uncertainty {self.standard}, not {width}"
                )

    def _check_numbers(self) -> None:
        if not (math.isfinite(self.standard) and self.standard >= 0):
            raise UncertaintyError(
                f"{self.quantity}: a standard uncertainty is a number at or above 0, not {self.standard}"
            )
        if not self.degrees_of_freedom > 0:
            raise UncertaintyError(
                f"{self.quantity}: degrees of freedom are above 0, not {self.degrees_of_freedom}"
            )
        if not (math.isfinite(self.divisor) and self.divisor > 0):
            raise UncertaintyError(f"{self.quantity}: a divisor is a number above 0, not {self.divisor}")
        for name, value in (("estimate", self.estimate), ("sensitivity", self.sensitivity)):
            if not math.isfinite(value):
                raise UncertaintyError(f"{self.quantity}: the {name} is a finite number, not {value}")

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
        """Return a line whose figure is a limit +-``half_width`` of the given distribution.

        Raises ``UncertaintyError`` where there is no width: what is known exactly needs no line.
        """
        if not (math.isfinite(half_width) and half_width > 0):
            raise UncertaintyError(
                f"{quantity}: a {distribution} distribution needs a width above 0, not {half_width}",
                next_step="give how far the value may lie off to either side, or leave the line out",
            )
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
                raise UncertaintyError(f"no pair of lines ({first}, {second}) among {count}")
            if not -1 <= r <= 1:
                raise UncertaintyError(
                    f"{self.lines[first].quantity} and {self.lines[second].quantity}:"
                    f" a correlation coefficient lies in -1..1, not at {r}"
                )

    @property
    def missing(self) -> tuple[str, ...]:
        """What the budget ought to hold but nobody has given a figure for, a sentence each.

        A part whose sensitivity is 0 cancels, and is not missed.
        """
        return tuple(
            dict.fromkeys(line.source for line in self.lines if not line.stated and line.sensitivity)
        )

    def to_data(self) -> dict[str, Any]:
        """Return the budget as plain data for JSON; unlimited degrees of freedom become ``None``."""
        lines = [dict(vars(line)) for line in self.lines]
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
