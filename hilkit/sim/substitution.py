"""Generators and power meters on the simulated bench, and the planes that a person connects them to.

What a sensor takes up is the wave that arrives at it: that of the source through all that lies between, with
the reflections of both ends. A generator stands in the place of what feeds a plane, a sensor in the place of
what takes up the power there.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from hilkit.clock import Clock
from hilkit.sim.amplifier import watts
from hilkit.sim.frontend import Comb, Skirt
from hilkit.sim.noise import fixed_error, generator, table_errors
from hilkit.sim.path import over_frequency, reflection
from hilkit.sim.profile import GeneratorProfile, PowerMeterProfile, ProfileFile

__all__ = ["Arriving", "Connections", "Feed", "Output", "PowerRead", "SimGenerator", "SimMeter", "joined"]

SETTLING_DB = 20.0
"""How far the level of a generator lies below its final value until it has settled, in dB."""

LEVEL_RANGE_DB = 5.0
"""Width in dB of the ranges of a generator's level that have an error of their own."""

Arriving = Sequence[tuple[float, float]]
"""What arrives at a sensor: frequency in Hz and power in W of each line or band."""


def joined(source: complex, load: complex) -> complex:
    """Return the wave into a load over the wave of the source where nothing lies between them."""
    return 1 / (1 - source * load)


@dataclass(frozen=True, kw_only=True)
class Feed:
    """A source and the path behind it, "" for none: a generator by name, or else a channel of the radio."""

    path: str = ""
    generator: str = ""
    channel: int = 0


class Connections:
    """Which plane each generator and each sensor stands at; nobody moves them but a person.

    The planes are ``NAME port`` for the end of a path at the radio, ``NAME input`` for the connector of an
    analyser, and ``NAME output`` for that of a generator.
    """

    def __init__(self, file: ProfileFile) -> None:
        self._generators, self._meters = tuple(file.generators), tuple(file.power_meters)
        self.planes = file.planes
        self._ports = {f"{name} port": path.channel for name, path in file.paths.items()}
        self._paths_to: dict[str, list[str]] = {}
        for name, path in file.paths.items():
            self._paths_to.setdefault(f"{path.analyser} input", []).append(name)
        self._at: dict[str, str] = dict.fromkeys((*self._generators, *self._meters), "")
        for name, plane in file.connected.items():
            self.connect(name, plane)

    def connect(self, instrument: str, plane: str) -> None:
        """Put a generator's cable or a meter's sensor on a plane; "" takes it off.

        ValueError for what is not there, for a place that is taken, and for a generator on an output.
        """
        if instrument not in self._at:
            known = ", ".join(self._at) or "none"
            raise ValueError(f"{instrument!r} is no generator and no power meter of this bench: {known}")
        if plane and plane not in self.planes:
            raise ValueError(f"there is no plane {plane!r}; the planes are {', '.join(self.planes)}")
        peers = self._generators if instrument in self._generators else self._meters
        if plane.endswith(" output") and instrument in self._generators:
            raise ValueError(f"{instrument} feeds a port or an input; {plane!r} is an output")
        for other in peers:
            if plane and self._at[other] == plane and other != instrument:
                raise ValueError(f"{other} stands at {plane!r} already; take it off first")
        self._at[instrument] = plane

    def plane_of(self, instrument: str) -> str:
        """Return where an instrument stands, "" for nowhere; ``KeyError`` if it does not exist."""
        return self._at[instrument]

    def generator_at(self, plane: str) -> str:
        """Return the generator whose cable leads to a plane, "" for none."""
        return next((name for name in self._generators if self._at[name] == plane), "")

    def meter_at(self, plane: str) -> str:
        """Return the meter whose sensor stands at a plane, "" for none."""
        return next((name for name in self._meters if self._at[name] == plane), "")

    def feeds_of(self, plane: str) -> tuple[Feed, ...]:
        """Return what feeds a plane: one generator, one channel at its port, or all paths to an input."""
        if plane.endswith(" output"):
            return (Feed(generator=plane.removesuffix(" output")),)
        if source := self.generator_at(plane):
            return () if self.meter_at(f"{source} output") else (Feed(generator=source),)
        if plane in self._ports:
            return (Feed(channel=self._ports[plane]),)
        ports = [f"{name} port" for name in self._paths_to.get(plane, ())]
        return tuple(
            replace(feed, path=port.removesuffix(" port"))
            for port in ports
            if not self.meter_at(port)
            for feed in self.feeds_of(port)
        )

    @property
    def state(self) -> tuple[str, ...]:
        """All places, in a form that can be compared."""
        return tuple(self._at.values())


@dataclass(frozen=True, kw_only=True)
class Output:
    """What a generator is set to: frequency in Hz and level in dBm at its connector."""

    frequency_hz: float = 1e9
    level_dbm: float = -120.0
    on: bool = False
    levelled: bool = True
    external_reference: bool = False


class SimGenerator:
    """A signal generator: one line with errors of its own."""

    def __init__(
        self,
        name: str,
        profile: GeneratorProfile,
        *,
        seed: int,
        clock: Clock,
        house_error: float,
        house_present: bool,
    ) -> None:
        self.name, self.profile = name, profile
        self.output = Output(level_dbm=profile.lowest.dbm)
        self.reflection = reflection(profile.match.db, profile.match_phase.deg)
        self.house_present = house_present
        self._seed, self._clock, self._house_error = seed, clock, house_error
        self._settled_at_s = -1.0

    def set(self, output: Output) -> None:
        """Change the output; frequency and level need time to settle."""
        if replace(output, external_reference=self.output.external_reference) != self.output:
            self._settled_at_s = self._clock.now() + self.profile.settle_time.s
        self.output = output

    @property
    def locked(self) -> bool:
        """True when the reference in use is there."""
        return self.house_present or not self.output.external_reference

    @property
    def unlevelled(self) -> bool:
        """True when the level that is set is more than it can give."""
        return self.output.level_dbm > self.profile.highest.dbm

    def true_frequency_hz(self) -> float:
        """Return the frequency of the line."""
        external = self.output.external_reference and self.house_present
        error = self._house_error if external else self.profile.reference_error.value
        return self.output.frequency_hz * (1 + error)

    def true_level_dbm(self) -> float:
        """Return what a matched load would take with the output on, once it has settled."""
        p, level = self.profile, min(self.output.level_dbm, self.profile.highest.dbm)
        step = math.floor(level / LEVEL_RANGE_DB)
        error = p.level_error.db + fixed_error(self._seed, self.name, "level", step, sd=p.level_error_sd.db)
        if p.flatness:
            error += float(over_frequency(p.flatness, np.array([self.output.frequency_hz]))[0])
        return level + error + (0.0 if self.output.levelled else p.open_loop_error.db)

    def level_at(self, now: float) -> float:
        """Return what a matched load would take at a time, output off and settling included, in dBm."""
        level = self.true_level_dbm()
        level -= 0.0 if self.output.on else self.profile.off_isolation.db
        return level - (SETTLING_DB if now < self._settled_at_s else 0.0)

    def comb(self, now: float, through: complex) -> Comb:
        """Return its line as it arrives behind a transfer ``through``."""
        noise = self.profile.phase_noise
        skirt = Skirt()
        if noise is not None:
            near, far = (10 ** (density.dbc_per_hz / 10) for density in (noise.density, noise.far))
            skirt = Skirt(near=near, corner_hz=noise.corner.hz, far=far)
        return Comb(
            carrier_hz=self.true_frequency_hz(),
            offset_hz=0.0,
            orders=np.zeros(1, dtype=np.int64),
            amplitudes=np.array([math.sqrt(watts(self.level_at(now))) * through], dtype=np.complex128),
            skirt=skirt,
        )


@dataclass(frozen=True, kw_only=True)
class PowerRead:
    """One reading of a power meter in W, negative where noise and zero error make it so."""

    power_w: float
    overload: bool


class SimMeter:
    """A power meter with its sensor, which takes up all that arrives."""

    def __init__(self, name: str, profile: PowerMeterProfile, *, seed: int, noise_seed: int) -> None:
        self.name, self.profile = name, profile
        self.reflection = reflection(profile.match.db, profile.match_phase.deg)
        self._seed, self._noise_seed = seed, noise_seed
        self._zero_w = 0.0
        self._zeroings = 0

    def read(
        self, arriving: Arriving, *, frequency_hz: float, averages: int, key: tuple[Hashable, ...]
    ) -> PowerRead:
        """Return what the meter makes of what arrives, told that it lies at ``frequency_hz``."""
        noise = generator(self._noise_seed, self.name, key).standard_normal() * self.profile.noise_sd.w
        power = self._detected_w(arriving) / self._factor(frequency_hz)
        power *= 10 ** (self._error_db(frequency_hz, power) / 10)
        highest = watts(self.profile.highest.dbm)
        return PowerRead(
            power_w=min(power, highest) + self.profile.zero_offset.w - self._zero_w + noise / averages**0.5,
            overload=power > highest,
        )

    def zero(self, arriving: Arriving) -> None:
        """Take what is read now for nothing, RF or not."""
        left = table_errors(
            self._noise_seed, self.name, "zero", self._zeroings, count=1, sd=self.profile.zero_set_sd.w
        )
        self._zeroings += 1
        self._zero_w = self.profile.zero_offset.w + self._detected_w(arriving) + float(left[0])

    def _detected_w(self, arriving: Arriving) -> float:
        return sum(power_w * self._factor(frequency_hz) for frequency_hz, power_w in arriving)

    def _factor(self, frequency_hz: float) -> float:
        points = sorted((f.hz, factor.value) for f, factor in self.profile.calibration_factor.items())
        if not points:
            return 1.0
        return float(np.interp(frequency_hz, [f for f, _ in points], [factor for _, factor in points]))

    def _error_db(self, frequency_hz: float, power_w: float) -> float:
        error = float(over_frequency(self.profile.calibration_error, np.array([frequency_hz]))[0])
        level_dbm = 10 * math.log10(max(power_w, 1e-15)) + 30
        return error + self.profile.linearity_per_10db.db * level_dbm / 10
