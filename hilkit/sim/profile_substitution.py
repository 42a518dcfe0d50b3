"""The true properties of what calibrates a path: signal generators and power meters."""

from __future__ import annotations

from pydantic import Field

from hilkit.files import FileModel
from hilkit.quantities import Angle, Duration, Fraction, Frequency, Level, Power, Ratio
from hilkit.sim.profile_parts import IdentityProfile, SkirtProfile, Table

__all__ = ["GeneratorProfile", "PowerMeterProfile"]


class GeneratorProfile(FileModel):
    """A signal generator. Its level is what a matched load would take, errors on top.

    ``level_error_sd`` draws an error of its own for each 5 dB of the level, as the steps of an output
    attenuator have. ``connected`` is the plane it stands at when the bench is switched on, such as
    ``tx1 port``.
    """

    resource: str
    identity: IdentityProfile
    low: Frequency = Frequency.parse("9 kHz")
    high: Frequency = Frequency.parse("6 GHz")
    lowest: Level = Level.parse("-120 dBm")
    highest: Level = Level.parse("16 dBm")
    reference_error: Fraction = Fraction.parse("0 ppm")
    level_error: Ratio = Ratio.parse("0 dB")
    flatness: Table = Field(default_factory=dict)
    level_error_sd: Ratio = Ratio.parse("0 dB")
    open_loop_error: Ratio = Ratio.parse("0.8 dB")
    off_isolation: Ratio = Ratio.parse("100 dB")
    phase_noise: SkirtProfile | None = None
    settle_time: Duration = Duration.parse("10 ms")
    match: Ratio = Ratio.parse("20 dB")
    match_phase: Angle = Angle.parse("0 deg")
    connected: str = ""


class PowerMeterProfile(FileModel):
    """A power meter with its sensor.

    ``calibration_factor`` is what the sensor turns into a reading of the power that arrives at it;
    ``calibration_error`` is how much too high the meter reads since its table of that factor is wrong.
    ``zero_offset`` is read without any RF until the meter is zeroed, ``zero_set_sd`` what each zeroing
    leaves. ``noise_sd`` belongs to one reading without averaging. ``linearity_per_10db`` counts from 0 dBm.
    ``connected`` is the plane on which the sensor stands when the bench is switched on.
    """

    resource: str
    identity: IdentityProfile
    low: Frequency = Frequency.parse("10 MHz")
    high: Frequency = Frequency.parse("18 GHz")
    highest: Level = Level.parse("20 dBm")
    calibration_factor: dict[Frequency, Fraction] = Field(default_factory=dict)
    calibration_error: Ratio | Table = Ratio.parse("0 dB")
    linearity_per_10db: Ratio = Ratio.parse("0 dB")
    zero_offset: Power = Power.parse("0 W")
    zero_set_sd: Power = Power.parse("0 W")
    noise_sd: Power = Power.parse("0 W")
    reading_time: Duration = Duration.parse("20 ms")
    zero_time: Duration = Duration.parse("5 s")
    match: Ratio = Ratio.parse("26 dB")
    match_phase: Angle = Angle.parse("0 deg")
    connected: str = ""
