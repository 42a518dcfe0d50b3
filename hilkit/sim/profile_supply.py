"""The true properties of DC supplies, and of what they feed."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from hilkit.files import FileModel
from hilkit.quantities import Current, Duration, Fraction, Voltage
from hilkit.sim.profile_parts import IdentityProfile

__all__ = ["DrawProfile", "OutputProfile", "SupplyProfile"]


class DrawProfile(FileModel):
    """What the radio takes from its supply: ``idle`` with all RF off, ``rf_on`` more for each channel with RF
    on, and up to ``full_output`` more for each as its output grows to full scale, with the amplitude.

    Below ``lowest`` it is dead.
    """

    lowest: Voltage = Voltage.parse("9 V")
    idle: Current = Current.parse("0.9 A")
    rf_on: Current = Current.parse("0.25 A")
    full_output: Current = Current.parse("0.15 A")


class OutputProfile(FileModel):
    """One output of a supply: what is at its terminals, and how it stands when the bench is switched on.

    ``draw`` is a load of its own that takes this current whenever the output is on.
    """

    feeds: Literal["radio"] | None = None
    draw: Current = Current.parse("0 A")
    on: bool = False
    voltage: Voltage = Voltage.parse("0 V")
    current_limit: Current = Current.parse("1 A")


class SupplyProfile(FileModel):
    """A DC supply. ``meter_error`` is what its own measurement of voltage and current is off.

    ``rise_time`` is what an output takes from off to its voltage, ``fall_time`` what its terminals take to a
    tenth of it afterwards.
    """

    resource: str
    identity: IdentityProfile
    highest: Voltage = Voltage.parse("32 V")
    highest_current: Current = Current.parse("6 A")
    rise_time: Duration = Duration.parse("30 ms")
    fall_time: Duration = Duration.parse("60 ms")
    meter_error: Fraction = Fraction.parse("0 %")
    outputs: Annotated[dict[str, OutputProfile], Field(min_length=1)]
