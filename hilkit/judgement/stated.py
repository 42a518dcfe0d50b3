"""What is kept of an uncertainty and of a decision: plain numbers, for the record and for people."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Self

from hilkit.judgement.uncertainty import Uncertainty
from hilkit.readings import Budget

__all__ = ["Comparison", "StatedDecision", "StatedUncertainty"]


@dataclass(frozen=True, kw_only=True)
class StatedUncertainty:
    """How sure a reading is, in ``unit``, that of a difference of two such readings.

    ``interval`` is relative to the value. ``missing`` has a sentence for each part that nobody has given a
    figure for: the uncertainty is too small by it. ``short_warning`` is ``warning`` in a few words.
    """

    standard: float
    expanded: float
    coverage_factor: float
    degrees_of_freedom: float
    probability: float
    method: str
    interval: tuple[float, float]
    unit: str
    warning: str = ""
    missing: tuple[str, ...] = ()
    short_warning: str = ""

    @property
    def unknown(self) -> bool:
        """True where not one part has a figure."""
        return self.standard == 0 and bool(self.missing)

    @property
    def exact(self) -> bool:
        """True for what is counted, or a state: nothing is in doubt."""
        return self.standard == 0 and not self.missing

    @classmethod
    def of(cls, found: Uncertainty, unit: str) -> Self:
        """Return what is kept of a combined uncertainty."""
        names = ("standard", "expanded", "coverage_factor", "degrees_of_freedom", "probability", "method")
        values = {
            name: getattr(found, name) for name in (*names, "interval", "warning", "missing", "short_warning")
        }
        return cls(**values, unit=unit)

    def to_data(self) -> dict[str, Any]:
        """Return it as plain data for JSON; unlimited degrees of freedom become ``None``."""
        freedom = self.degrees_of_freedom
        return {**asdict(self), "degrees_of_freedom": freedom if math.isfinite(freedom) else None}

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> Self:
        """Return the uncertainty that ``to_data`` made ``data`` of."""
        low, high = data["interval"]
        freedom = data["degrees_of_freedom"]
        plain = {
            "interval": (low, high),
            "missing": tuple(data["missing"]),
            "degrees_of_freedom": math.inf if freedom is None else freedom,
        }
        return cls(**{**data, **plain})


@dataclass(frozen=True, kw_only=True)
class StatedDecision:
    """By which rule it was decided, and what that risks.

    ``guard_band`` is in the unit of a difference. ``false_acceptance`` is the probability that the true value
    lies outside its limits, which is what accepting it risks, ``false_rejection`` that it lies inside, which
    is what rejecting it risks (JCGM 106:2012, 9.3.1: specific, for this one value); each is ``None`` where
    it cannot be stated. With ``at_most`` they are the most that it can be: of a bound. ``sure`` is false
    where the value was judged although nobody has stated its uncertainty.
    """

    rule: str
    guard_band: float = 0.0
    false_acceptance: float | None = None
    false_rejection: float | None = None
    at_most: bool = False
    sure: bool = True

    def to_data(self) -> dict[str, Any]:
        """Return it as plain data for JSON."""
        return asdict(self)

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> Self:
        """Return the decision that ``to_data`` made ``data`` of."""
        return cls(**data)


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """The distance from another reading, where a limit is on that: ``value`` in ``unit``, with its budget."""

    to: str
    value: float
    unit: str
    uncertainty: StatedUncertainty | None = None
    budget: Budget | None = None

    def to_data(self) -> dict[str, Any]:
        """Return it as plain data for JSON."""
        return {
            "to": self.to,
            "value": self.value,
            "unit": self.unit,
            "uncertainty": self.uncertainty.to_data() if self.uncertainty else None,
            "budget": self.budget.to_data() if self.budget else None,
        }

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> Self:
        """Return the comparison that ``to_data`` made ``data`` of."""
        uncertainty, budget = data["uncertainty"], data["budget"]
        known = {
            "uncertainty": None if uncertainty is None else StatedUncertainty.from_data(uncertainty),
            "budget": None if budget is None else Budget.from_data(budget),
        }
        return cls(**{**data, **known})
