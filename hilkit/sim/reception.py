"""A receiver from its port to its converter: lines and noise in, samples out.

Waves are complex amplitudes in sqrt(W) about the LO. In order: filter in front of the converter, noise,
third-order curvature of the amplifier, imbalance and offset of the mixer, rounding and clipping.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.sim.amplifier import watts
from hilkit.sim.noise import generator
from hilkit.sim.profile_receive import ReceiverProfile

__all__ = ["AtPort", "SimReceiver", "source_temperature_k"]

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

K_J = 1.380649e-23
ROOM_K = 273.15
FLAT = 0.42
"""Part of the sample rate to either side up to which the filter takes nothing."""
STOP = 0.58
"""Part of the sample rate from which it takes all that it can."""


@dataclass(frozen=True, kw_only=True)
class AtPort:
    """What arrives at a receive port: lines by frequency in Hz and power in W, and the temperature in K of
    what terminates it.
    """

    lines: Sequence[tuple[float, float]]
    temperature_k: float


def source_temperature_k(enr_db: float, ambient_c: float, *, on: bool) -> float:
    """Return the temperature of a noise source: its excess over 290 K in units of 290 K is its ENR."""
    return 290.0 + 290.0 * 10 ** (enr_db / 10) if on else ambient_c + ROOM_K


class SimReceiver:
    """One receiver; ``carrier_hz`` is what its LO is told."""

    def __init__(self, name: str, profile: ReceiverProfile, *, noise_seed: int, carrier_hz: float) -> None:
        self.name, self.profile = name, profile
        self.carrier_hz = carrier_hz
        self._seed = noise_seed
        self.rate_hz = profile.sample_rate.hz

    def hear(self, at: AtPort, count: int, *, clock_error: float, key: tuple[Hashable, ...]) -> Complex:
        """Return samples as integers from -32767 to 32767 in I and Q; ``key`` decides noise and phases."""
        random = generator(self._seed, self.name, "hear", key)
        lo_hz, rate_hz = self.carrier_hz * (1 + clock_error), self.rate_hz * (1 + clock_error)
        wave = self._noise(at.temperature_k, count, random)
        time = np.arange(count) / rate_hz
        for frequency_hz, power_w in at.lines:
            phase = random.uniform(0, 2 * math.pi)
            for offset_hz, share in self._ways(frequency_hz, lo_hz):
                turns = np.exp(1j * (2 * math.pi * offset_hz * time + phase))
                wave += math.sqrt(power_w * share) * turns
        return self._converted(self._mixed(self._curved(wave)))

    def passed(self, at: AtPort, count: int, *, key: tuple[Hashable, ...]) -> int:
        """Return how many of ``count`` frames are decoded, by the strongest line in the channel."""
        frames, random = self.profile.frames, generator(self._seed, self.name, "frames", key)
        inside = [w for hz, w in at.lines if abs(hz - self.carrier_hz) <= frames.bandwidth.hz / 2]
        noise_w = K_J * (at.temperature_k + self.own_k) * frames.bandwidth.hz
        ratio_db = 10 * math.log10(max(max(inside, default=0.0), 1e-30) / noise_w)
        good = 0.5 * math.erfc((frames.needed.db - ratio_db) / (frames.spread.db * math.sqrt(2)))
        return int(random.binomial(count, good))

    @property
    def own_k(self) -> float:
        """The temperature of its own noise, at its port."""
        return 290.0 * 10 ** (self.profile.noise_figure.db / 10) - 290.0

    def _taken_db(self, offset_hz: Floats) -> Floats:
        part = (np.abs(offset_hz) / self.rate_hz - FLAT) / (STOP - FLAT)
        return np.asarray(self.profile.alias_rejection.db * np.clip(part, 0.0, 1.0))

    def _ways(self, frequency_hz: float, lo_hz: float) -> list[tuple[float, float]]:
        """Offset from the LO at which a line arrives at the converter, and the share of its power."""
        ways = []
        for multiple, lost_db in ((1, 0.0), (3, self.profile.third_harmonic.db)):
            offset = frequency_hz - multiple * lo_hz
            lost_db += float(self._taken_db(np.array([offset]))[0])
            if multiple == 1 or abs(offset) < self.rate_hz:
                ways.append((offset, 10 ** (-lost_db / 10)))
        return ways

    def _noise(self, temperature_k: float, count: int, random: np.random.Generator) -> Complex:
        power_w = K_J * (temperature_k + self.own_k) * self.rate_hz
        white = (random.standard_normal(count) + 1j * random.standard_normal(count)) / math.sqrt(2)
        axis = np.asarray(np.fft.fftfreq(count, 1 / self.rate_hz), dtype=np.float64)
        shape = 10 ** (-self._taken_db(axis) / 20)
        return np.asarray(np.fft.ifft(np.fft.fft(white) * shape) * math.sqrt(power_w), dtype=np.complex128)

    def _curved(self, wave: Complex) -> Complex:
        third_w = watts(self.profile.intercept.dbm)
        power = np.minimum(np.abs(wave) ** 2, third_w / 3)
        return np.asarray(wave * (1 - power / third_w))

    def _mixed(self, wave: Complex) -> Complex:
        p = self.profile
        turned = 10 ** (p.gain.db / 20) * np.exp(1j * math.radians(p.phase.deg))
        straight, mirrored = (1 + turned) / 2, (1 - np.conj(turned)) / 2
        scaled = wave / math.sqrt(watts(p.full_scale.dbm))
        return np.asarray(straight * scaled + mirrored * np.conj(scaled) + p.offset_i + 1j * p.offset_q)

    def _converted(self, wave: Complex) -> Complex:
        top = 2 ** (self.profile.bits - 1) - 1
        parts = [np.clip(np.round(part * top), -top, top) / top for part in (wave.real, wave.imag)]
        return np.asarray(np.round(parts[0] * 32767) + 1j * np.round(parts[1] * 32767))
