"""Turns a limit as a person wrote it into numbers, and says what is wrong with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from hilkit.files.shapes import near
from hilkit.judgement.limit import Limit, LimitFile, MaskEntry, Reference, ReferenceFile
from hilkit.judgement.mask import Mask, MaskPoint
from hilkit.quantities import (
    READING_UNITS,
    Fraction,
    QuantityError,
    difference_unit,
    limit_number,
    parse,
)
from hilkit.readings import ReadingSpec

__all__ = ["LimitMistake", "resolve_limit"]

_LINEAR = frozenset({"Hz", "s", "W", "V", "A"})


@dataclass(frozen=True, kw_only=True)
class LimitMistake:
    """One thing that is wrong with a limit, in one of its keys or (``key`` empty) as a whole.

    ``more`` is the place below that key, such as the point of a mask and its own key.
    """

    key: str
    message: str
    seen: str = ""
    allowed: str = ""
    next_step: str = ""
    more: tuple[str | int, ...] = ()


class _Resolver:
    """Turns one limit into numbers and collects what is wrong with it."""

    def __init__(self, spec: ReadingSpec) -> None:
        self.spec = spec
        self.unit = spec.unit
        self.phase_judged = spec.final_phase
        self.mistakes: list[LimitMistake] = []

    def wrong(
        self,
        key: str,
        message: str,
        *,
        seen: str = "",
        allowed: str = "",
        next_step: str = "",
        more: tuple[str | int, ...] = (),
    ) -> None:
        self.mistakes.append(
            LimitMistake(key=key, message=message, seen=seen, allowed=allowed, next_step=next_step, more=more)
        )

    def number(self, key: str, value: Any, unit: str, more: tuple[str | int, ...] = ()) -> float | None:
        if value is None:
            return None
        try:
            return limit_number(value, unit)
        except QuantityError as error:
            self.mistakes.append(replace(_unusable(key, str(value), unit, self.spec, error), more=more))
            return None

    def within(self, value: Any, nominal: float) -> float | None:
        share = _share(value) if self.unit in _LINEAR else None
        if share is None:
            width = self.number("within", value, difference_unit(self.unit))
        elif nominal == 0.0:
            self.wrong(
                "within",
                f"{value} of what? A share of the reading needs a nominal value",
                seen=str(value),
                allowed=f"a value in {self.unit}; or a share together with nominal",
                next_step="add nominal, or write the distance in the unit of the reading",
            )
            return None
        else:
            width = share * abs(nominal)
        if width is not None and width <= 0:
            self.wrong("within", "the distance must be above zero", seen=str(value))
            return None
        return width

    def phase(
        self, phase: str | None, spec: ReadingSpec, key: str = "phase", more: tuple[str | int, ...] = ()
    ) -> str:
        if phase is None:
            return spec.final_phase
        if phase not in spec.phases:
            meant = near(phase, spec.phases)
            self.wrong(
                key,
                f"the reading {spec.name} has no phase of this name",
                seen=phase,
                allowed=", ".join(spec.phases) or "none: leave the key phase away",
                next_step=f"did you mean {meant}?" if meant else "",
                more=more,
            )
        return phase

    def shape(self, file: LimitFile) -> None:
        plain = file.min is not None or file.max is not None
        if file.nominal is not None and file.within is None:
            self.wrong(
                "nominal", "nominal needs within: how far may the reading be from it?", seen=str(file.nominal)
            )
        if file.within is not None and plain:
            self.wrong("within", "write either min and max, or nominal and within, not both")
        if file.mask is not None and (plain or file.within is not None or file.nominal is not None):
            self.wrong("mask", "a mask has its limits in its points: write either the mask or the other keys")
        if file.within is None and file.nominal is None and file.mask is None and not plain:
            self.wrong(
                "",
                f"the limit on {self.spec.name} has no value",
                allowed="min, max, nominal with within, or a mask",
            )

    def sides(self, file: LimitFile) -> tuple[float | None, float | None, float | None]:
        if file.within is not None:
            nominal = 0.0 if file.nominal is None else self.number("nominal", file.nominal, self.unit)
            width = self.within(file.within, nominal) if nominal is not None else None
            return (
                (None, None, None)
                if nominal is None or width is None
                else (nominal - width, nominal + width, nominal)
            )
        low = self.number("min", file.min, self.unit)
        high = self.number("max", file.max, self.unit)
        if low is not None and high is not None and low > high:
            self.wrong("min", "min lies above max: nothing could pass", seen=f"{file.min} to {file.max}")
        return low, high, None

    # --- a mask

    def mask(self, entries: Sequence[MaskEntry]) -> Mask | None:
        if not self.spec.series:
            self.wrong(
                "mask",
                f"{self.spec.name} is a single reading, and a mask needs a series",
                next_step="write min or max without a mask",
            )
            return None
        if len(entries) < 2:
            self.wrong("mask", "a mask needs two points or more: it is a line between them")
            return None
        index_unit = self.spec.index_unit if self.spec.index_unit in READING_UNITS else "1"
        points = [self.point(number, entry, index_unit) for number, entry in enumerate(entries)]
        known = [point for point in points if point is not None]
        if len(known) < len(entries):
            return None
        for number in range(1, len(known)):
            self.order(number, entries, known)
        if self.mistakes:
            return None
        return Mask(points=tuple(known), index_unit=index_unit)

    def point(self, number: int, entry: MaskEntry, index_unit: str) -> MaskPoint | None:
        before = len(self.mistakes)
        at = self.index(number, entry.at, index_unit)
        low = self.number("mask", entry.min, self.unit, (number, "min"))
        high = self.number("mask", entry.max, self.unit, (number, "max"))
        if entry.min is None and entry.max is None:
            self.wrong("mask", "this point of the mask has no limit", allowed="min, max", more=(number,))
        if low is not None and high is not None and low > high:
            seen = f"{entry.min} to {entry.max}"
            self.wrong("mask", "min lies above max: nothing could pass", seen=seen, more=(number, "min"))
        if at is None or len(self.mistakes) > before:
            return None
        return MaskPoint(at=at, low=low, high=high)

    def index(self, number: int, value: Any, unit: str) -> float | None:
        try:
            return limit_number(value, unit)
        except QuantityError as error:
            name = self.spec.index_name or "index"
            self.wrong(
                "mask",
                f"the {name} of {self.spec.name} is {'a plain number' if unit == '1' else f'in {unit}'}",
                seen=str(value),
                allowed=error.allowed,
                more=(number, "at"),
            )
            return None

    def order(self, number: int, entries: Sequence[MaskEntry], points: Sequence[MaskPoint]) -> None:
        here, last = points[number], points[number - 1]
        third = number > 1 and here.at == last.at == points[number - 2].at
        if here.at < last.at or third:
            self.wrong(
                "mask",
                "the points of a mask rise; two at one place are a step, more than two are a slip",
                seen=f"{entries[number].at} after {entries[number - 1].at}",
                more=(number, "at"),
            )
        if (here.low is None, here.high is None) != (last.low is None, last.high is None):
            self.wrong(
                "mask",
                "all points of a mask have the same sides: between min alone and max alone there is no line",
                more=(number,),
            )

    # --- another reading

    def reference(self, file: ReferenceFile, others: Mapping[str, ReadingSpec]) -> Reference | None:
        spec = others.get(file.reading)
        if spec is None:
            meant = near(file.reading, list(others))
            self.wrong(
                "relative_to",
                "a limit is relative to a reading of the same step, or to one of an earlier step",
                seen=file.reading,
                allowed=", ".join(others),
                next_step=f"did you mean {meant}?" if meant else "",
                more=("reading",),
            )
            return None
        phase = self.phase(file.phase, spec, "relative_to", ("phase",))
        step, _, _ = file.reading.rpartition(".")
        reference = Reference(name=spec.name, step=step, phase=phase, series=spec.series)
        self.comparable(reference, spec, file)
        return reference

    def comparable(self, reference: Reference, spec: ReadingSpec, file: ReferenceFile) -> None:
        if not reference.step and spec.name == self.spec.name and reference.phase == self.phase_judged:
            self.wrong("relative_to", "a reading cannot be relative to itself", more=("reading",))
        if spec.unit != self.spec.unit:
            self.wrong(
                "relative_to",
                f"{self.spec.name} is in {self.spec.unit}, {file.reading} in {spec.unit}:"
                " they have no difference",
                seen=file.reading,
                more=("reading",),
            )
        if spec.series and not (self.spec.series and self.spec.index_unit == spec.index_unit):
            self.wrong(
                "relative_to",
                f"{file.reading} is a series: which of its members is meant?",
                seen=file.reading,
                allowed="a single reading; for a series also another one with the same index",
                more=("reading",),
            )

    def resolve(self, file: LimitFile, others: Mapping[str, ReadingSpec]) -> Limit | None:
        self.shape(file)
        self.phase_judged = self.phase(file.phase, self.spec)
        reference = None
        if file.relative_to is not None:
            reference = self.reference(file.relative_to, others)
            self.unit = difference_unit(self.spec.unit)
        mask = self.mask(file.mask) if file.mask is not None else None
        low, high, nominal = self.sides(file)
        if self.mistakes:
            return None
        return Limit(
            unit=self.unit,
            low=low,
            high=high,
            nominal=nominal,
            phase=self.phase_judged,
            mask=mask,
            reference=reference,
        )


def resolve_limit(
    file: LimitFile, spec: ReadingSpec, others: Mapping[str, ReadingSpec] | None = None
) -> tuple[Limit | None, list[LimitMistake]]:
    """Return the limit in the reading's unit, and every mistake in it; ``None`` where there is a mistake.

    A limit without a phase gets the reading's final one; ``within`` without ``nominal`` is around zero. Being
    a distance, it is in dB for a level; in Hz, s, W, V or A it may be a share (%, ppm) of ``nominal``.
    ``others`` are the readings that a limit may be relative to: by name those of the same step, by step.name
    those of earlier ones.
    """
    resolver = _Resolver(spec)
    limit = resolver.resolve(file, others or {spec.name: spec})
    return limit, resolver.mistakes


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
