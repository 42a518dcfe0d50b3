"""The true properties of receivers, of what leads to their ports, and of noise sources."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from hilkit.files import FileModel
from hilkit.quantities import Angle, Duration, Frequency, Level, Ratio
from hilkit.sim.profile_parts import IdentityProfile, Table

__all__ = ["FramesProfile", "NoiseSourceProfile", "ReceivePathProfile", "ReceiverProfile"]


class FramesProfile(FileModel):
    """How the receiver decodes: a line in its channel counts as the wanted signal, as if it carried frames.

    ``needed`` is the ratio of signal to noise in ``bandwidth`` at which half of the frames pass, ``spread``
    the standard deviation of that threshold from frame to frame.
    """

    bandwidth: Frequency = Frequency.parse("18 MHz")
    needed: Ratio = Ratio.parse("-1 dB")
    spread: Ratio = Ratio.parse("0.4 dB")


class ReceiverProfile(FileModel):
    """One receiver: what it makes of the waves at its port.

    ``full_scale`` is the level at the port of a tone that just reaches 0 dBFS; ``intercept`` is referred to
    the port. Offsets are fractions of full scale. ``alias_rejection`` is what the filter in front of the
    converter takes away beyond the sampled band, ``third_harmonic`` what the mixer loses at three times its
    LO.
    """

    sample_rate: Frequency = Frequency.parse("61.44 MHz")
    full_scale: Level = Level.parse("-20 dBm")
    noise_figure: Ratio = Ratio.parse("4 dB")
    intercept: Level = Level.parse("-8 dBm")
    gain: Ratio = Ratio.parse("0 dB")
    phase: Angle = Angle.parse("0 deg")
    offset_i: float = 0.0
    offset_q: float = 0.0
    alias_rejection: Ratio = Ratio.parse("70 dB")
    third_harmonic: Ratio = Ratio.parse("60 dB")
    bits: Annotated[int, Field(ge=4, le=16)] = 14
    most_samples: int = 65536
    match: Ratio = Ratio.parse("18 dB")
    match_phase: Angle = Angle.parse("0 deg")
    frames: FramesProfile = FramesProfile()


class ReceivePathProfile(FileModel):
    """What leads to the receive port of a channel: each source by name with its true loss to the port."""

    channel: int
    inputs: dict[str, Ratio | Table]


class NoiseSourceProfile(FileModel):
    """A noise source; its excess noise ratio over frequency counts from 290 K. Off, it has the ambient's
    temperature.
    """

    resource: str
    identity: IdentityProfile
    enr: Ratio | Table
    settle_time: Duration = Duration.parse("20 ms")
    match: Ratio = Ratio.parse("26 dB")
    match_phase: Angle = Angle.parse("0 deg")
