"""Mismatch: the ripple that two reflections make between them, as a line of a budget.

Where a plane has a reflection of magnitude a on one side and b on the other, the power that goes through
varies by a factor 1 + 2 a b cos(phase) + (a b)^2 with the phase, which is not known. The divisor that makes a
standard uncertainty of the limit 2 a b depends on what is known of the magnitudes:

===================================  ============  ==========================
known of a and b                     divisor       distribution
===================================  ============  ==========================
both magnitudes                      sqrt 2        U-shaped
one; the other anywhere in a disc    2             semicircle
both anywhere in discs               2 sqrt 2      two discs
one; the other uniform from 0        sqrt 6        one uniform magnitude
a disc and a uniform magnitude       2 sqrt 3      disc and uniform magnitude
both uniform from 0                  3 sqrt 2      two uniform magnitudes
===================================  ============  ==========================

Source: I. A. Harris and F. L. Warner, "Re-examination of mismatch uncertainty when measuring microwave power
and attenuation", IEE Proc. H 128 (1981) 35, for the first three.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from hilkit.readings.budget import BudgetLine, Distribution, UncertaintyError

__all__ = [
    "Knowledge",
    "Reflection",
    "input_reflection",
    "mismatch_correction_db",
    "mismatch_limits_db",
    "mismatch_line",
]

DB_PER_NEPER = 20 / math.log(10)


class Knowledge(StrEnum):
    """What is known of a reflection whose phase is not."""

    MAGNITUDE = "magnitude known"
    DISC = "anywhere in a disc"
    UNIFORM = "magnitude uniform from 0"


@dataclass(frozen=True)
class Reflection:
    """One side of a plane: the magnitude of its reflection coefficient, or the greatest that it may have."""

    magnitude: float
    knowledge: Knowledge = Knowledge.MAGNITUDE

    def __post_init__(self) -> None:
        if not (math.isfinite(self.magnitude) and 0 <= self.magnitude < 1):
            raise UncertaintyError(
                f"the magnitude of a reflection coefficient lies from 0 to below 1, not at {self.magnitude}"
            )

    @classmethod
    def from_vswr(cls, vswr: float, knowledge: Knowledge = Knowledge.MAGNITUDE) -> Reflection:
        """Return the reflection of a voltage standing wave ratio: (vswr - 1) / (vswr + 1)."""
        if not (math.isfinite(vswr) and vswr >= 1):
            raise UncertaintyError(f"a voltage standing wave ratio is a number at or above 1, not {vswr}")
        return cls((vswr - 1) / (vswr + 1), knowledge)

    @classmethod
    def from_return_loss(
        cls, return_loss_db: float, knowledge: Knowledge = Knowledge.MAGNITUDE
    ) -> Reflection:
        """Return the reflection of a return loss in dB, a positive number."""
        if not return_loss_db > 0:
            raise UncertaintyError(f"a return loss is a number of dB above 0, not {return_loss_db}")
        return cls(10 ** (-return_loss_db / 20), knowledge)

    @classmethod
    def from_parameter(cls, s: complex, knowledge: Knowledge = Knowledge.MAGNITUDE) -> Reflection:
        """Return the reflection of a scattering parameter (S11 of an input, S22 of an output)."""
        return cls(abs(s), knowledge)

    @property
    def vswr(self) -> float:
        """The voltage standing wave ratio."""
        return (1 + self.magnitude) / (1 - self.magnitude)


_SPREADS = {
    frozenset({Knowledge.MAGNITUDE}): Distribution.ARCSINE,
    frozenset({Knowledge.MAGNITUDE, Knowledge.DISC}): Distribution.SEMICIRCLE,
    frozenset({Knowledge.DISC}): Distribution.TWO_DISCS,
    frozenset({Knowledge.MAGNITUDE, Knowledge.UNIFORM}): Distribution.ONE_MAGNITUDE,
    frozenset({Knowledge.DISC, Knowledge.UNIFORM}): Distribution.DISC_AND_MAGNITUDE,
    frozenset({Knowledge.UNIFORM}): Distribution.TWO_MAGNITUDES,
}


def mismatch_limits_db(first: Reflection, second: Reflection) -> tuple[float, float]:
    """Return the limits 20 log10(1 -+ a b) in dB, low first; they are not symmetric."""
    product = first.magnitude * second.magnitude
    return 20 * math.log10(1 - product), 20 * math.log10(1 + product)


def mismatch_line(
    first: Reflection,
    second: Reflection,
    *,
    quantity: str,
    source: str,
    shared: str = "",
    frequency_hz: float | None = None,
    length_m: float | None = None,
    **more: Any,
) -> BudgetLine:
    """Return the line in dB of the plane between two reflections.

    The half-width is that of the linear term, 8.686 a b dB; the limits proper stand in the line's source.
    ``length_m`` is the electrical length of the line whose two ends reflect; ``more`` goes to the budget
    line.
    """
    distribution = _SPREADS[frozenset({first.knowledge, second.knowledge})]
    half_width = DB_PER_NEPER * first.magnitude * second.magnitude
    low, high = mismatch_limits_db(first, second)
    sides = f"VSWR {first.vswr:.3g} ({first.knowledge}) and {second.vswr:.3g} ({second.knowledge})"
    return BudgetLine(
        quantity=quantity,
        estimate=0.0,
        unit="dB",
        half_width=half_width,
        standard=half_width / distribution.divisor,
        distribution=distribution,
        divisor=distribution.divisor,
        source=f"{source}: {sides}, {low:+.4f} dB to {high:+.4f} dB",
        shared=shared,
        frequency_hz=frequency_hz,
        length_m=length_m,
        **more,
    )


def mismatch_correction_db(first: complex, second: complex) -> float:
    """Return what the gain of a plane changes by, 20 log10(1 / |1 - a b|), where both phases are known."""
    return -20 * math.log10(abs(1 - first * second))


def input_reflection(
    s: tuple[tuple[complex, complex], tuple[complex, complex]], termination: complex
) -> complex:
    """Return the reflection into port 1 of a two-port with this termination at port 2.

    ``s`` is ((S11, S12), (S21, S22)). For the reflection into port 2 give the two-port turned round.
    """
    (s11, s12), (s21, s22) = s
    return s11 + s12 * s21 * termination / (1 - s22 * termination)
