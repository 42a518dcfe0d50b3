"""Limits: as a person writes them, and as numbers in the unit of the reading that they judge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, WithJsonSchema

from hilkit.files import FileModel, Mistake
from hilkit.files.shapes import near
from hilkit.quantities import Fraction, QuantityError, difference_unit, limit_number, parse
from hilkit.readings import ReadingSpec

__all__ = ["Limit", "LimitFile", "LimitMistake", "difference_unit", "number_text", "resolve_limit"]

_LINEAR = frozenset({"Hz", "s", "W", "V", "A"})


def number_text(value: float, unit: str, *, signed: bool = False) -> str:
    """Return a number with its unit for people, without the 1 of a plain count."""
    text = f"{value:+.10g}" if signed else f"{value:.10g}"
    return text if unit == "1" else f"{text} {unit}"


@dataclass(frozen=True, kw_only=True)
class Limit:
    """What a reading has to keep to, in the reading's own unit.

    ``low`` and ``high`` are the tolerance limits of JCGM 106:2012, ``None`` where a side is open; a value
    on a limit passes. ``nominal`` is set where the limit was written as a distance from a value. ``phase`` is
    the one phase that is judged, empty for a reading that has no phases.
    """

    unit: str
    low: float | None = None
    high: float | None = None
    nominal: float | None = None
    phase: str = ""

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise ValueError("a limit needs at least one side")

    @property
    def within(self) -> float | None:
        """Half the width of a limit around ``nominal``; ``None`` for a limit written with min or max."""
        return None if self.nominal is None or self.high is None else self.high - self.nominal

    def __str__(self) -> str:
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


class LimitFile(FileModel):
    """A limit as it stands in a plan: ``min`` and/or ``max``, or ``within`` around ``nominal``."""

    min: LimitValue = Field(default=None, description="the smallest value that passes")
    max: LimitValue = Field(default=None, description="the largest value that passes")
    nominal: LimitValue = Field(default=None, description="the value to be met; zero if not given")
    within: LimitValue = Field(default=None, description="the largest distance from nominal that passes")
    phase: str | None = Field(
        default=None, description="the phase that is judged; the final one if not given"
    )


@dataclass(frozen=True, kw_only=True)
class LimitMistake:
    """One thing that is wrong with a limit, in one of its keys or (``key`` empty) as a whole."""

    key: str
    message: str
    seen: str = ""
    allowed: str = ""
    next_step: str = ""


class _Resolver:
    """Turns one limit into numbers and collects what is wrong with it."""

    def __init__(self, spec: ReadingSpec) -> None:
        self.spec = spec
        self.mistakes: list[LimitMistake] = []

    def wrong(
        self, key: str, message: str, *, seen: str = "", allowed: str = "", next_step: str = ""
    ) -> None:
        self.mistakes.append(
            LimitMistake(key=key, message=message, seen=seen, allowed=allowed, next_step=next_step)
        )

    def number(self, key: str, value: Any, unit: str) -> float | None:
        if value is None:
            return None
        try:
            return limit_number(value, unit)
        except QuantityError as error:
            self.mistakes.append(_unusable(key, str(value), unit, self.spec, error))
            return None

    def within(self, value: Any, nominal: float) -> float | None:
        share = _share(value) if self.spec.unit in _LINEAR else None
        if share is None:
            width = self.number("within", value, difference_unit(self.spec.unit))
        elif nominal == 0.0:
            self.wrong(
                "within",
                f"{value} of what? A share of the reading needs a nominal value",
                seen=str(value),
                allowed=f"a value in {self.spec.unit}; or a share together with nominal",
                next_step="add nominal, or write the distance in the unit of the reading",
            )
            return None
        else:
            width = share * abs(nominal)
        if width is not None and width <= 0:
            self.wrong("within", "the distance must be above zero", seen=str(value))
            return None
        return width

    def phase(self, phase: str | None) -> str:
        if phase is None:
            return self.spec.final_phase
        if phase not in self.spec.phases:
            meant = near(phase, self.spec.phases)
            self.wrong(
                "phase",
                f"the reading {self.spec.name} has no phase of this name",
                seen=phase,
                allowed=", ".join(self.spec.phases) or "none: leave the key phase away",
                next_step=f"did you mean {meant}?" if meant else "",
            )
        return phase

    def shape(self, file: LimitFile) -> None:
        if file.nominal is not None and file.within is None:
            self.wrong(
                "nominal", "nominal needs within: how far may the reading be from it?", seen=str(file.nominal)
            )
        if file.within is not None and (file.min is not None or file.max is not None):
            self.wrong("within", "write either min and max, or nominal and within, not both")
        if file.within is None and file.nominal is None and file.min is None and file.max is None:
            self.wrong(
                "", f"the limit on {self.spec.name} has no value", allowed="min, max, nominal with within"
            )

    def sides(self, file: LimitFile) -> tuple[float | None, float | None, float | None]:
        if file.within is not None:
            nominal = 0.0 if file.nominal is None else self.number("nominal", file.nominal, self.spec.unit)
            width = self.within(file.within, nominal) if nominal is not None else None
            return (
                (None, None, None)
                if nominal is None or width is None
                else (nominal - width, nominal + width, nominal)
            )
        low = self.number("min", file.min, self.spec.unit)
        high = self.number("max", file.max, self.spec.unit)
        if low is not None and high is not None and low > high:
            self.wrong("min", "min lies above max: nothing could pass", seen=f"{file.min} to {file.max}")
        return low, high, None


def resolve_limit(file: LimitFile, spec: ReadingSpec) -> tuple[Limit | None, list[LimitMistake]]:
    """Return the limit in the reading's unit, and every mistake in it; ``None`` where there is a mistake.

    A limit without a phase gets the reading's final one; ``within`` without ``nominal`` is around zero. Being
    a distance, it is in dB for a level; in Hz, s, W, V or A it may be a share (%, ppm) of ``nominal``.
    """
    resolver = _Resolver(spec)
    resolver.shape(file)
    phase = resolver.phase(file.phase)
    low, high, nominal = resolver.sides(file)
    if resolver.mistakes:
        return None, resolver.mistakes
    return Limit(unit=spec.unit, low=low, high=high, nominal=nominal, phase=phase), []


def _share(value: Any) -> float | None:
    try:
        return parse(value, Fraction).value if isinstance(value, str) else None
    except QuantityError:
        return None


def _unusable(key: str, value: str, unit: str, spec: ReadingSpec, error: QuantityError) -> LimitMistake:
    """Say what is needed in the unit of the reading; the quantity's own words know only its kind."""
    what = f"a distance from nominal of {spec.name}" if key == "within" else f"a limit on {spec.name}"
    ratio = unit in ("dB", "dBc")
    return LimitMistake(
        key=key,
        message=f"{what} must be {'a plain number' if unit == '1' else f'in {unit}'}",
        seen=value,
        allowed=f"a number and the unit {unit}" if ratio else error.allowed,
        next_step=_cure(key, value, unit) or ("" if ratio else error.next_step),
    )


def _cure(key: str, value: str, unit: str) -> str:
    written = value.rsplit(" ", 1)[-1]
    if key == "within" and unit == "dB" and written != "dB" and written.startswith("dB"):
        return "a distance between two levels is a ratio: write it in dB"
    if {written, unit} == {"dB", "dBc"}:
        return f"dBc counts from the carrier, dB between any two levels: write it in {unit}, if that is meant"
    if unit in ("dB", "dBc") and written == value and value[-1:].isdigit():
        return f"write {value} {unit}, if that is the unit"
    return ""
