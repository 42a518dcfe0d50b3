"""Figures of accuracy as they stand in a bench file, and what they are once read.

A figure is a text, which is a limit with everything between equally likely (rectangular, JCGM 100, 4.3.7), or
a mapping that says what kind of figure it is: a limit with its distribution, an expanded uncertainty with its
coverage factor as on a calibration certificate (JCGM 100, 4.3.3), or a standard uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Self, TypeVar

from pydantic import AfterValidator, Field, model_validator

from hilkit.files import FileModel, Mistake
from hilkit.quantities import Between, Fraction, Frequency, Level, Power, Quantity, Ratio
from hilkit.readings import BudgetLine, Distribution

__all__ = [
    "ACCURACY_KEYS",
    "AccuracyFigure",
    "FractionEntry",
    "FractionFigure",
    "InstrumentAccuracy",
    "RadioAccuracy",
    "RatioEntry",
    "RatioFigure",
    "figure_of",
]

NORMAL_K = 2.0
"""A normal limit without ``k`` is taken as two standard deviations (JCGM 100, 4.3.5, to its nearest)."""

Shape = Literal["rectangular", "triangular", "U-shaped", "normal"]


Q = TypeVar("Q", bound=Quantity)


def _plain_db(value: Ratio) -> Ratio:
    if value.unit != "dB":
        raise Mistake("an uncertainty is in dB", seen=str(value))
    return _not_negative(value)


def _not_negative(value: Q) -> Q:
    if value.base < 0:
        raise Mistake("an uncertainty is not negative", seen=str(value), next_step="write its size, no sign")
    return value


def _above_zero(value: Q) -> Q:
    """Refuse a width of zero: it would count as stated, and nothing would say that nobody knows it."""
    if value.base == 0:
        raise Mistake(
            "an uncertainty of zero is no figure of accuracy",
            seen=str(value),
            allowed="a width above zero",
            next_step="write how far off it may be; leave the key out where that is not known",
        )
    return value


Db = Annotated[Ratio, AfterValidator(_plain_db)]
Width = Annotated[Db, AfterValidator(_above_zero)]
Watts = Annotated[Power, AfterValidator(_not_negative), AfterValidator(_above_zero)]
Part = Annotated[Fraction, AfterValidator(_not_negative), AfterValidator(_above_zero)]


class _Figure(FileModel):
    """What a figure may say about itself; the widths belong to its kind."""

    distribution: Shape | None = Field(
        None, description="how the values lie within it; rectangular with `within`, else normal"
    )
    k: Annotated[float, Field(gt=0)] | None = Field(
        None, description="coverage factor of `expanded`, or of a normal `within` (2 where nothing is said)"
    )
    degrees_of_freedom: Annotated[float, Field(ge=1)] | None = Field(
        None, description="how well the figure itself is known; unlimited where nothing is said"
    )

    @property
    def width(self) -> tuple[str, Any]:
        """The key that gives the width, and its value."""
        return next((key, value) for key in _WIDTHS if (value := getattr(self, key)) is not None)

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        given = [key for key in _WIDTHS if getattr(self, key) is not None]
        if not given:
            said = "a distribution without width" if self.distribution else "a figure without width"
            raise Mistake(
                f"{said} says nothing about the uncertainty",
                allowed="one of within, expanded, standard",
                next_step=f"add within: {self._example()}",
            )
        if len(given) > 1:
            message = f"{given[0]} and {given[1]} are two figures for one thing"
            raise Mistake(message, at=(given[1],), allowed="one of within, expanded, standard", at_key=True)
        self._check_k(given[0])
        return self

    def _check_k(self, key: str) -> None:
        if key == "expanded" and self.k is None:
            message = "an expanded uncertainty means nothing without its coverage factor"
            raise Mistake(message, next_step="add k: 2, or what the certificate says", allowed="k above 0")
        if key == "expanded" and self.distribution not in (None, "normal"):
            message = "an expanded uncertainty belongs to a normal distribution"
            raise Mistake(message, at=("distribution",), seen=str(self.distribution), allowed="normal")
        if self.k is not None and key == "standard":
            raise Mistake("k does not go with a standard uncertainty", at=("k",), at_key=True)
        if self.k is not None and key == "within" and self.distribution != "normal":
            message = f"k does not go with a {self.distribution or 'rectangular'} limit"
            raise Mistake(message, at=("k",), allowed="distribution: normal with k, or no k", at_key=True)

    @classmethod
    def _example(cls) -> str:
        return "0.3 dB"


_WIDTHS = ("within", "expanded", "standard")


class RatioFigure(_Figure):
    """A figure of accuracy of a level."""

    within: Width | None = Field(None, description="limit on both sides")
    expanded: Width | None = Field(None, description="expanded uncertainty, as on a calibration certificate")
    standard: Width | None = Field(None, description="standard uncertainty")


class FractionFigure(_Figure):
    """A figure of accuracy relative to the value itself."""

    within: Part | None = Field(None, description="limit on both sides")
    expanded: Part | None = Field(None, description="expanded uncertainty, as on a calibration certificate")
    standard: Part | None = Field(None, description="standard uncertainty")

    @classmethod
    def _example(cls) -> str:
        return "0.5 ppm"


class PowerFigure(_Figure):
    """A figure of accuracy that is a power."""

    within: Watts | None = Field(None, description="limit on both sides")
    expanded: Watts | None = Field(None, description="expanded uncertainty, as on a calibration certificate")
    standard: Watts | None = Field(None, description="standard uncertainty")

    @classmethod
    def _example(cls) -> str:
        return "50 nW"


RatioEntry = Width | RatioFigure
FractionEntry = Part | FractionFigure
PowerEntry = Watts | PowerFigure


@dataclass(frozen=True, kw_only=True)
class AccuracyFigure:
    """A figure as read: in dB (``unit`` dB), relative to the value (``unit`` 1) or a power (``unit`` W).

    ``half_width`` is the limit that ``standard`` came from, ``None`` for a standard uncertainty given as
    such; ``source`` says where the figure stands.
    """

    unit: str
    standard: float
    half_width: float | None
    distribution: Distribution
    divisor: float
    source: str
    degrees_of_freedom: float = math.inf

    @property
    def limit(self) -> float:
        """How far off the value may be: the limit, or two standard uncertainties where there is none."""
        return NORMAL_K * self.standard if self.half_width is None else self.half_width

    def line(self, quantity: str, **more: Any) -> BudgetLine:
        """Return the budget line of this figure; ``more`` sets or replaces fields of it."""
        fields: dict[str, Any] = {
            "quantity": quantity,
            "estimate": 0.0,
            "unit": self.unit,
            "standard": self.standard,
            "half_width": self.half_width,
            "distribution": self.distribution,
            "divisor": self.divisor,
            "degrees_of_freedom": self.degrees_of_freedom,
            "source": self.source,
        }
        return BudgetLine(**{**fields, **more})


def figure_of(entry: Ratio | Fraction | Power | _Figure | None, source: str) -> AccuracyFigure | None:
    """Return what an entry of the file says, ``None`` where it says nothing."""
    if entry is None:
        return None
    if isinstance(entry, (Ratio, Fraction, Power)):
        return _figure(entry, "within", Distribution.RECTANGULAR, None, math.inf, source)
    key, value = entry.width
    shape = entry.distribution or ("rectangular" if key == "within" else "normal")
    freedom = math.inf if entry.degrees_of_freedom is None else entry.degrees_of_freedom
    return _figure(value, key, Distribution(shape), entry.k, freedom, source)


def _figure(
    value: Ratio | Fraction | Power,
    key: str,
    shape: Distribution,
    k: float | None,
    freedom: float,
    source: str,
) -> AccuracyFigure:
    size = value.base
    divisor = (k or NORMAL_K) if shape is Distribution.NORMAL else shape.divisor
    if key == "standard":
        # A normal standard uncertainty has no limit that it came from; other shapes have one.
        half_width = None if shape is Distribution.NORMAL else size * divisor
        divisor = 1.0 if half_width is None else divisor
    else:
        half_width, size = size, size / divisor
    return AccuracyFigure(
        unit=_UNITS[type(value)],
        standard=size,
        half_width=half_width,
        distribution=shape,
        divisor=divisor,
        source=source,
        degrees_of_freedom=freedom,
    )


_UNITS = {Ratio: "dB", Fraction: "1", Power: "W"}


Vswr = Annotated[float, Field(ge=1)]


def _level(description: str) -> Any:
    return Field(None, description=description)


class InstrumentAccuracy(FileModel):
    """How exact an instrument is; which keys go with which class is in ``ACCURACY_KEYS``."""

    level: RatioEntry | None = _level("level accuracy at its reference frequency and setting")
    flatness: RatioEntry | None = _level("change of the level accuracy over frequency")
    flatness_over: Annotated[Frequency, Between(above="0 Hz")] | None = Field(
        None,
        description="width of frequencies over which that change stays the same; where nothing is said, two "
        "frequencies count as independent",
    )
    linearity: RatioEntry | None = _level("error of its scale, wherever a level lies on it")
    linearity_per_10db: RatioEntry | None = _level(
        "error of its scale for each 10 dB under the reference level; `linearity`, if given, is the most"
    )
    attenuation_switching: RatioEntry | None = _level("change when its input attenuator moves")
    rbw_switching: RatioEntry | None = _level("change when its resolution filter changes")
    reference_level: RatioEntry | None = _level("change when its reference level or preamplifier changes")
    repeatability: RatioEntry | None = _level("scatter of one setting that returns, noise not counted")
    resolution: Db | None = _level("smallest difference between two levels that it can show or send")
    attenuation: RatioEntry | None = _level("error of a setting of a step attenuator against 0 dB")
    third_order_intercept: Level | None = Field(
        None,
        description="its third-order intercept at 0 dB input attenuation: how much it compresses a level",
    )
    reference: FractionEntry | None = Field(None, description="frequency error of its own reference")
    span_axis: FractionEntry | None = Field(
        None, description="error of the width of a span, which counts with the distance from its centre"
    )
    noise_bandwidth: FractionEntry | None = Field(
        None, description="error of the noise bandwidth of its resolution filters"
    )
    zero: PowerEntry | None = Field(None, description="what the zeroing of a power meter leaves")
    enr: RatioEntry | None = _level("error of the excess noise ratio of a noise source")
    vswr: Vswr | None = Field(None, description="VSWR of its port, 1 or more")
    vswr_known: bool = Field(
        False, description="true where the VSWR is a measured value, false where it is a limit"
    )


class RadioAccuracy(FileModel):
    """What is known of the radio's port."""

    vswr: Vswr | None = Field(None, description="VSWR of its ports, 1 or more")
    vswr_known: bool = Field(
        False, description="true where the VSWR is a measured value, false where it is a limit"
    )


ACCURACY_KEYS: dict[str, tuple[str, ...]] = {
    "signal_analyser": tuple(
        key for key in InstrumentAccuracy.model_fields if key not in ("attenuation", "zero", "enr")
    ),
    "step_attenuator": ("attenuation", "repeatability"),
    "switch_matrix": ("repeatability",),
    "signal_generator": ("level", "repeatability", "vswr", "vswr_known"),
    "dc_supply": (),
    "noise_source": ("enr", "vswr", "vswr_known"),
    "power_meter": ("level", "linearity", "linearity_per_10db", "zero", "vswr", "vswr_known"),
}
"""Which keys of ``accuracy`` go with a class of instrument; a class that is not here takes all of them."""
