"""The file of a simulated bench: what the instruments, the radio and the paths truly are.

A profile is the truth; the bench file beside it is what the engineer believes. Neither is derived from the
other.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from hilkit.errors import FileProblems
from hilkit.files import FileModel, Lab, load, validate
from hilkit.files.kind import refuse_other
from hilkit.quantities import (
    Angle,
    Density,
    Duration,
    Fraction,
    Frequency,
    Level,
    Ratio,
    Temperature,
)
from hilkit.sim.profile_parts import IdentityProfile, SkirtProfile, Table
from hilkit.sim.profile_radio import RadioProfile
from hilkit.sim.profile_receive import NoiseSourceProfile, ReceivePathProfile
from hilkit.sim.profile_substitution import GeneratorProfile, PowerMeterProfile
from hilkit.sim.profile_supply import SupplyProfile

__all__ = [
    "AmplifierElement",
    "AnalyserProfile",
    "Element",
    "Fault",
    "GeneratorProfile",
    "IdentityProfile",
    "PadProfile",
    "PathProfile",
    "PowerMeterProfile",
    "Profile",
    "ProfileFile",
    "ReferenceProfile",
    "RelayProfile",
    "SupplyProfile",
    "load_profile",
]


class ReferenceProfile(FileModel):
    """The house reference that feeds whatever is set to its external reference."""

    present: bool = True
    error: Fraction = Fraction.parse("0 ppm")


class SpurProfile(FileModel):
    """A line that the analyser makes by itself, as read with no input attenuation."""

    frequency: Frequency
    level: Level


class MovingSpurProfile(FileModel):
    """A line that the analyser shows at an offset from the centre it is tuned to, wherever that is.

    ``level`` is as read with no input attenuation.
    """

    offset: Frequency = Frequency.parse("0 Hz")
    level: Level


class AnalyserProfile(FileModel):
    """The true properties of one swept signal analyser.

    The errors of attenuator, filter and range belong to each of their states; ``error_shape`` says how they
    are drawn from their standard deviations: normal and cut at 2.5 of them, or evenly between limits.
    ``repeatability`` is the most by which the level is off each time that settings return, drawn evenly.
    """

    resource: str
    dialect: Literal["standard", "contrary"] = "standard"
    identity: IdentityProfile
    low: Frequency = Frequency.parse("9 kHz")
    high: Frequency = Frequency.parse("7 GHz")
    noise_density: Density
    noise_density_preamplified: Density
    preamplifier_gain: Ratio = Ratio.parse("20 dB")
    intercept: Level = Level.parse("15 dBm")
    intercept_phase: Angle = Angle.parse("180 deg")
    second_order_intercept: Level = Level.parse("55 dBm")
    mixer_overload: Level = Level.parse("-3 dBm")
    headroom: Ratio = Ratio.parse("3 dB")
    phase_noise: SkirtProfile
    filter_shape: Literal["gaussian", "four_pole"] = "gaussian"
    filter_error: Fraction = Fraction.parse("0 %")
    sweep_factor: Annotated[float, Field(gt=0)] = 2.5
    reference_error: Fraction = Fraction.parse("0 ppm")
    reference_lock_time: Duration = Duration.parse("0.2 s")
    span_error: Fraction = Fraction.parse("0 %")
    level_error: Ratio = Ratio.parse("0 dB")
    level_slope_per_ghz: Ratio = Ratio.parse("0 dB")
    attenuation_error_sd: Ratio = Ratio.parse("0 dB")
    filter_level_error_sd: Ratio = Ratio.parse("0 dB")
    range_error_sd: Ratio = Ratio.parse("0 dB")
    error_shape: Literal["normal", "rectangular"] = "normal"
    repeatability: Ratio = Ratio.parse("0 dB")
    scale_error_per_10db: Ratio = Ratio.parse("0 dB")
    zero_feedthrough: Level = Level.parse("-25 dBm")
    spurs: tuple[SpurProfile, ...] = ()
    moving_spurs: tuple[MovingSpurProfile, ...] = ()
    match: Ratio = Ratio.parse("26 dB")
    match_phase: Angle = Angle.parse("0 deg")


class PadProfile(FileModel):
    """A programmable step attenuator; ``errors`` lists single codes, ``error_sd`` draws the others."""

    resource: str
    identity: IdentityProfile
    low: Ratio = Ratio.parse("0 dB")
    high: Ratio
    step: Ratio
    error_sd: Ratio = Ratio.parse("0 dB")
    error_slope_sd_per_ghz: Ratio = Ratio.parse("0 dB")
    errors: dict[Ratio, Ratio] = Field(default_factory=dict)
    settle_time: Duration = Duration.parse("20 ms")


class RelayProfile(FileModel):
    """A relay switch; every channel connects one port to the common port, an open port is terminated.

    ``contacts`` are inputs for switches outside, such as that of a door, by number.
    """

    resource: str
    identity: IdentityProfile
    channels: tuple[int, ...]
    contacts: dict[str, Literal["closed", "open"]] = Field(default_factory=dict)
    settle_time: Duration = Duration.parse("15 ms")


class MatchedElement(FileModel):
    """What all two-port elements share: return loss at both ends and delay.

    ``match`` holds at both ends, the reflections tied as in an element without loss; with ``match_out`` the
    end towards the analyser has its own.
    """

    match: Ratio = Ratio.parse("40 dB")
    match_phase: Angle = Angle.parse("0 deg")
    match_out: Ratio | None = None
    match_out_phase: Angle = Angle.parse("0 deg")
    delay: Duration = Duration.parse("0 s")


class LossElement(MatchedElement):
    """A fixed pad, a coupled arm or anything else with a loss over frequency."""

    kind: Literal["pad", "coupler", "table"]
    loss: Ratio | Table


class CableElement(MatchedElement):
    """A cable: ``conductor`` is its loss at 1 GHz that grows with sqrt(f), ``dielectric`` the part that grows
    with f.
    """

    kind: Literal["cable"]
    conductor: Ratio
    dielectric: Ratio = Ratio.parse("0 dB")


class AmplifierElement(MatchedElement):
    """An amplifier in its linear range: ``gain`` forward, ``isolation`` the other way."""

    kind: Literal["amplifier"]
    gain: Ratio | Table
    isolation: Ratio = Ratio.parse("40 dB")


class RelayElement(MatchedElement):
    """The way through one relay channel."""

    kind: Literal["relay"]
    relay: str
    close: int
    loss: Ratio | Table
    isolation: Ratio = Ratio.parse("80 dB")


class StepAttenuatorElement(MatchedElement):
    """The way through a programmable attenuator, ``loss`` being what remains at 0 dB."""

    kind: Literal["step_attenuator"]
    pad: str
    loss: Ratio | Table


class NetworkElement(FileModel):
    """A network from a Touchstone file; ``ports`` gives the port towards the radio first.

    ``excess`` is what it truly takes away beyond what was measured when the file was written.
    """

    kind: Literal["touchstone"]
    file: str
    ports: tuple[Literal[1, 2], Literal[1, 2]] = (1, 2)
    excess: Ratio = Ratio.parse("0 dB")


Element = Annotated[
    LossElement | CableElement | AmplifierElement | RelayElement | StepAttenuatorElement | NetworkElement,
    Field(discriminator="kind"),
]


class PathProfile(FileModel):
    """Everything between one radio port and the analyser, in order.

    Not ``connected``, its end at the port lies loose and the port is open.
    """

    channel: int
    analyser: str
    connected: bool = True
    elements: tuple[Element, ...]


class Fault(FileModel):
    """Something that goes wrong on order: at the ``after``-th line that starts with ``when``, ``count``
    times.

    With ``at``, lines count only from that time on.
    """

    instrument: str
    kind: Literal[
        "silence",
        "delay",
        "drip",
        "half_block",
        "garbage",
        "nan",
        "duplicate",
        "refusal",
        "queue_overflow",
        "stuck_relay",
        "stuck_attenuator",
        "stuck_rf",
        "lost_lock",
        "lost_reference",
        "lost_load",
        "overheating",
        "excess_current",
        "open_contact",
        "overload",
        "reboot",
        "disk_full",
        "dropped_connection",
        "half_open",
    ]
    when: str = ""
    after: Annotated[int, Field(ge=1)] = 1
    count: Annotated[int, Field(ge=1)] = 1
    delay: Duration | None = None
    at: Duration | None = None


class ProfileFile(FileModel):
    """A simulated bench."""

    profile: str
    about: str = ""
    seed: Annotated[int, Field(ge=0)] = 1
    ambient: Temperature = Temperature.parse("23 °C")
    reference: ReferenceProfile = ReferenceProfile()
    radio: RadioProfile
    analysers: dict[str, AnalyserProfile]
    pads: dict[str, PadProfile] = Field(default_factory=dict)
    relays: dict[str, RelayProfile] = Field(default_factory=dict)
    generators: dict[str, GeneratorProfile] = Field(default_factory=dict)
    power_meters: dict[str, PowerMeterProfile] = Field(default_factory=dict)
    supplies: dict[str, SupplyProfile] = Field(default_factory=dict)
    noise_sources: dict[str, NoiseSourceProfile] = Field(default_factory=dict)
    receive: dict[str, ReceivePathProfile] = Field(default_factory=dict)
    paths: dict[str, PathProfile]
    faults: tuple[Fault, ...] = ()

    @property
    def connected(self) -> dict[str, str]:
        """The plane at which each generator and each sensor stands at first, "" for none."""
        generators = {name: each.connected for name, each in self.generators.items()}
        return generators | {name: each.connected for name, each in self.power_meters.items()}

    @property
    def planes(self) -> tuple[str, ...]:
        """Where a generator or a sensor can stand: ports of paths, inputs of analysers, outputs of
        generators.
        """
        return (
            *(f"{name} port" for name in self.paths),
            *(f"{name} input" for name in self.analysers),
            *(f"{name} output" for name in self.generators),
        )


@dataclass(frozen=True, kw_only=True)
class Profile:
    """A profile file with the folder its Touchstone files are looked up in."""

    file: ProfileFile
    folder: Path

    @property
    def name(self) -> str:
        """The name that the file gives itself."""
        return self.file.profile


def load_profile(path: Path | str, lab: Lab | None = None) -> Profile:
    """Read a profile by name (from the lab or the library) or by path; ``FileProblems`` for its mistakes."""
    from hilkit.sim.profile_check import check_profile

    found = (lab or Lab(None)).find("profile", str(path), relative_to=None)
    document = load(found)
    refuse_other(document, "profile")
    file = validate(document, ProfileFile)
    if problems := check_profile(file, document, found.parent):
        raise FileProblems(problems)
    return Profile(file=file, folder=found.parent)
