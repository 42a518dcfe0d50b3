"""The part of a profile that describes the simulated radio."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from hilkit.files import FileModel
from hilkit.quantities import (
    Angle,
    Density,
    Duration,
    Fraction,
    Frequency,
    Level,
    Ratio,
    RelativeDensity,
)
from hilkit.sim.profile_receive import ReceiverProfile
from hilkit.sim.profile_supply import DrawProfile

__all__ = [
    "AmplifierProfile",
    "AttenuatorProfile",
    "BandProfile",
    "ChannelProfile",
    "CorrectionProfile",
    "ModulatorProfile",
    "QuadratureProfile",
    "RadioIdentity",
    "RadioProfile",
    "SpuriousProfile",
    "SynthesiserProfile",
    "WaveformProfile",
]


class BandProfile(FileModel):
    """A range of carriers that the synthesiser reaches."""

    low: Frequency
    high: Frequency


class QuadratureProfile(FileModel):
    """What is wrong with the I/Q modulator in one state; offsets are fractions of full scale."""

    gain: Ratio = Ratio.parse("0 dB")
    phase: Angle = Angle.parse("0 deg")
    offset_i: float = 0.0
    offset_q: float = 0.0


class ModulatorProfile(FileModel):
    """An I/Q modulator: offset, curvature on I and on Q, imbalance and offset, in that order.

    ``imbalance`` says on which side of the curvature the gain and phase imbalance arises. ``raw`` holds
    before the initial calibration, ``calibrated`` after it, ``corrected`` when the running corrections have
    settled. A calibration loses its hold as the carrier moves away from where it was made, over
    ``calibration_width``.
    """

    raw: QuadratureProfile
    calibrated: QuadratureProfile
    corrected: QuadratureProfile
    calibration_width: Frequency = Frequency.parse("8 MHz")
    early_offset_i: float = 0.0
    early_offset_q: float = 0.0
    square_i: float = 0.0
    square_q: float = 0.0
    cubic_i: float = 0.0
    cubic_q: float = 0.0
    imbalance: Literal["after_curvature", "before_curvature"] = "after_curvature"


class AttenuatorProfile(FileModel):
    """The transmit attenuator; ``errors`` lists single codes, the others are drawn from ``error_sd`` and
    bounded.
    """

    high: Ratio = Ratio.parse("31.5 dB")
    step: Ratio = Ratio.parse("0.5 dB")
    error_sd: Ratio = Ratio.parse("0 dB")
    error_bound: Ratio = Ratio.parse("1 dB")
    errors: dict[Ratio, Ratio] = Field(default_factory=dict)
    glitch: Ratio = Ratio.parse("0 dB")
    glitch_time: Duration = Duration.parse("2 ms")


class AmplifierProfile(FileModel):
    """The power amplifier: output level of a full-scale tone without compression, intercept, saturation,
    droop.

    ``intercept_phase`` is the angle of the third-order term: 180 deg compresses without any AM/PM, 150 deg
    has both. ``droop`` is the gain lost when warm from full output for long, reached with ``thermal_time``.
    """

    full_scale: Level | dict[Frequency, Level]
    intercept: Level
    intercept_phase: Angle = Angle.parse("180 deg")
    fifth_order_intercept: Level | None = None
    saturation: Level | None = None
    noise_density: Density = Density.parse("-165 dBm/Hz")
    droop: Ratio = Ratio.parse("0 dB")
    thermal_time: Duration = Duration.parse("60 s")
    temperature_rise: float = 12.0


class SynthesiserProfile(FileModel):
    """The synthesiser: time to lock, frequency error by itself, phase noise."""

    lock_time: Duration
    plateau: RelativeDensity
    corner: Frequency
    far: RelativeDensity


class CorrectionProfile(FileModel):
    """The running corrections: time to settle, lowest port level, worst image and share reached when they
    stick; share of the time after which the radio already calls them settled.
    """

    settle_time: Duration
    lowest_level: Level
    worst_image: Ratio
    stuck_share: Annotated[float, Field(ge=0, le=1)] = 0.05
    reported_share: Annotated[float, Field(gt=0, le=1)] = 1.0


class WaveformProfile(FileModel):
    """A modulated stream: occupied width, width of its edges, what it carries.

    With ``spacing``, OFDM symbols of known content with that subcarrier spacing, else noise.
    """

    occupied: Frequency
    edge: Frequency = Frequency.parse("200 kHz")
    spacing: Frequency | None = None
    modulation: Literal["qpsk", "16qam", "64qam", "256qam"] = "64qam"
    identity: Annotated[int, Field(ge=0, le=1007)] = 0

    @property
    def bits(self) -> int:
        """Bits of a symbol."""
        return {"qpsk": 2, "16qam": 4, "64qam": 6, "256qam": 8}[self.modulation]


class SpuriousProfile(FileModel):
    """A line that a channel sends besides its signal while RF is on: of a clock, a converter, a loop."""

    frequency: Frequency
    level: Level


class ChannelProfile(FileModel):
    """One transmit channel.

    ``leak`` is the carrier that reaches the port past the transmit attenuator, ``off_residue`` what remains
    of it with RF off. ``inverted`` puts the stream on the other side of the carrier, as swapped I and Q do.
    ``crosstalk`` is how far below its own port this channel appears at the other ports. ``spurious`` are
    lines at the port that do not follow the signal. ``receiver`` is what listens at a receive port of the
    same number, without one where there is none.
    """

    modulator: ModulatorProfile
    attenuator: AttenuatorProfile = AttenuatorProfile()
    amplifier: AmplifierProfile
    synthesiser: SynthesiserProfile
    corrections: CorrectionProfile
    inverted: bool = False
    leak: Level = Level.parse("-200 dBm")
    leak_phase: Angle = Angle.parse("0 deg")
    off_residue: Level = Level.parse("-200 dBm")
    off_isolation: Ratio = Ratio.parse("80 dB")
    crosstalk: Ratio = Ratio.parse("200 dB")
    spurious: tuple[SpuriousProfile, ...] = ()
    match: Ratio = Ratio.parse("26 dB")
    match_phase: Angle = Angle.parse("0 deg")
    receiver: ReceiverProfile | None = None


class RadioIdentity(FileModel):
    """What the radio answers to ``about``."""

    model: str
    serial: str
    build: str


class RadioProfile(FileModel):
    """The radio head: identity, bands, times, waveforms, channels."""

    resource: str
    identity: RadioIdentity
    bands: tuple[BandProfile, ...]
    largest_offset: Frequency = Frequency.parse("30 MHz")
    internal_error: Fraction = Fraction.parse("0 ppm")
    reference_lock_time: Duration = Duration.parse("1.5 s")
    calibration_time: Duration = Duration.parse("0.3 s")
    boot_time: Duration = Duration.parse("4 s")
    connection_hold: Duration = Duration.parse("0 s")
    chatter_every: Duration | None = None
    starts: int = 1
    uptime: Duration = Duration.parse("120 s")
    waveforms: dict[str, WaveformProfile] = Field(default_factory=dict)
    draw: DrawProfile = DrawProfile()
    channels: dict[str, ChannelProfile]
