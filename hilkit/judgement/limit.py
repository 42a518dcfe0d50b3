"""Limits: as a person writes them, and as numbers in the unit of the reading that they judge."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, WithJsonSchema

from hilkit.files import FileModel, Mistake
from hilkit.judgement.mask import Mask, number_text
from hilkit.quantities import difference_unit

__all__ = [
    "Limit",
    "LimitFile",
    "LimitValue",
    "MaskEntry",
    "Reference",
    "ReferenceFile",
    "difference_unit",
    "number_text",
]


@dataclass(frozen=True, kw_only=True)
class Reference:
    """The reading that a limit is relative to; ``step`` is empty for one of the same step."""

    name: str
    step: str = ""
    phase: str = ""
    series: bool = False

    def __str__(self) -> str:
        name = f"{self.step}.{self.name}" if self.step else self.name
        return f"{name} {self.phase}".rstrip()


@dataclass(frozen=True, kw_only=True)
class Limit:
    """What a reading has to keep to, in the reading's own unit.

    ``low`` and ``high`` are the tolerance limits of JCGM 106:2012, ``None`` where a side is open; a value
    on a limit passes. ``nominal`` is set where the limit was written as a distance from a value. ``phase`` is
    the one phase that is judged, empty for a reading that has no phases. A ``mask`` gives the limits by the
    index of a series instead: see ``at``. With a ``reference`` it is the distance from that other reading
    that has to keep to them, and ``unit`` is the unit of that difference. ``origin`` is where a published
    limit stands; ``settings`` are what the procedure must be told for it.
    """

    unit: str
    low: float | None = None
    high: float | None = None
    nominal: float | None = None
    phase: str = ""
    mask: Mask | None = None
    reference: Reference | None = None
    origin: str = ""
    settings: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        if self.low is None and self.high is None and self.mask is None:
            raise ValueError("a limit needs at least one side")

    @property
    def deepest(self) -> float | None:
        """The lowest upper limit anywhere, ``None`` where that side is open."""
        if self.mask is None:
            return self.high
        return min((point.high for point in self.mask.points if point.high is not None), default=None)

    def at(self, index: float | None) -> Limit | None:
        """Return the plain limit at an index of the series; ``None`` where the mask does not reach."""
        if self.mask is None:
            return self
        sides = None if index is None else self.mask.sides(index)
        return None if sides is None else replace(self, low=sides[0], high=sides[1], mask=None)

    @property
    def within(self) -> float | None:
        """Half the width of a limit around ``nominal``; ``None`` for a limit written with min or max."""
        return None if self.nominal is None or self.high is None else self.high - self.nominal

    def __str__(self) -> str:
        text = f"{self._sides()} against {self.reference}" if self.reference else self._sides()
        return f"{text} [{self.origin}]" if self.origin else text

    def _sides(self) -> str:
        if self.mask is not None:
            return self.mask.text(self.unit)
        if self.within is not None and self.nominal is not None:
            within = f"within {number_text(self.within, difference_unit(self.unit))}"
            return f"{within} of {number_text(self.nominal, self.unit)}"
        sides = (("min", self.low), ("max", self.high))
        return ", ".join(f"{name} {number_text(side, self.unit)}" for name, side in sides if side is not None)


def _text_or_number(value: Any) -> Any:
    if isinstance(value, str) or (isinstance(value, (int, float)) and not isinstance(value, bool)):
        return value
    raise Mistake(
        "a limit is one value",
        seen="nothing" if value is None else str(value).lower() if isinstance(value, bool) else "",
        allowed="a value with its unit, such as -50 dBc; a plain number for a count",
    )


LimitValue = Annotated[
    Any,
    BeforeValidator(_text_or_number),
    WithJsonSchema({"type": ["string", "number"], "examples": ["-50 dBc", "0.25 dB", 3]}),
]
"""A limit's value in a file. A key without a value is refused; ``resolve_limit`` looks at the unit."""


class ReferenceFile(FileModel):
    """The reading that a limit is relative to, as it stands in a plan."""

    reading: str = Field(
        description="a reading of the same step, or step.reading of an earlier one", examples=["tone_level"]
    )
    phase: str | None = Field(default=None, description="its phase; the final one if not given")


class MaskEntry(FileModel):
    """One point of a mask as it stands in a plan."""

    at: LimitValue = Field(description="the index of the series, in its unit")
    min: LimitValue = Field(default=None, description="the smallest value that passes there")
    max: LimitValue = Field(default=None, description="the largest value that passes there")


class LimitFile(FileModel):
    """A limit in a plan: ``min`` and/or ``max``, ``within`` around ``nominal``, or a ``mask``."""

    min: LimitValue = Field(default=None, description="the smallest value that passes")
    max: LimitValue = Field(default=None, description="the largest value that passes")
    nominal: LimitValue = Field(default=None, description="the value to be met; zero if not given")
    within: LimitValue = Field(default=None, description="the largest distance from nominal that passes")
    phase: str | None = Field(
        default=None, description="the phase that is judged; the final one if not given"
    )
    mask: list[MaskEntry] | None = Field(
        default=None, description="limits over the index of a series, straight lines between the points"
    )
    relative_to: ReferenceFile | None = Field(
        default=None, description="another reading: the limit is on the distance from it"
    )
