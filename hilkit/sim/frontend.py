"""The analyser's input: what arrives at the connector, and what attenuator, preamplifier and mixer make of
it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hilkit.sim.amplifier import Amplifier, amplify, watts
from hilkit.sim.profile import AnalyserProfile
from hilkit.sim.transmitter import GRID, Band

__all__ = ["Arrival", "Comb", "FrontEnd", "Lines", "Skirt"]

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

UNBENT_W = 1e-10
"""Strongest line at the mixer below which its distortion is not worth computing, in W (-70 dBm)."""


@dataclass(frozen=True, kw_only=True)
class Skirt:
    """Phase noise of a line in 1/Hz: ``near`` up to ``corner_hz``, then 20 dB a decade down to ``far``."""

    near: float = 0.0
    corner_hz: float = 1.0
    far: float = 0.0

    def density(self, distance_squared: Floats) -> Floats:
        """Return the density over the squared distance in Hz^2, relative to the line's power."""
        return self.near / (1 + distance_squared / self.corner_hz**2) + self.far


@dataclass(frozen=True, kw_only=True)
class Comb:
    """Lines at carrier + order x offset, as complex amplitudes in sqrt(W) at the connector."""

    carrier_hz: float
    offset_hz: float
    orders: NDArray[np.int64]
    amplitudes: Complex
    skirt: Skirt = field(default_factory=Skirt)

    def frequencies_hz(self, orders: NDArray[np.int64]) -> Floats:
        """Return where the lines of these orders lie."""
        return np.asarray(self.carrier_hz + self.offset_hz * orders, dtype=np.float64)


@dataclass(frozen=True, kw_only=True, eq=False)
class Arrival:
    """All that arrives at the connector.

    ``share`` is the part of the power that gets through at each point while a relay or an attenuator still
    settles.
    """

    combs: tuple[Comb, ...] = ()
    bands: tuple[Band, ...] = ()
    floor_w_per_hz: float = 0.0
    share: Floats | None = field(default=None)


@dataclass(frozen=True, kw_only=True, eq=False)
class Lines:
    """Lines on the screen, referred to the connector: frequency in Hz, power in W, and whose skirt they
    carry.
    """

    frequency_hz: Floats
    power_w: Floats
    skirts: tuple[tuple[int, Skirt], ...]
    mixer_w: float


class FrontEnd:
    """Attenuator, preamplifier and mixer of one analyser."""

    def __init__(self, profile: AnalyserProfile) -> None:
        self._profile = profile
        direction = complex(np.exp(1j * math.radians(profile.intercept_phase.deg)))
        self.mixer = Amplifier(
            third=direction / watts(profile.intercept.dbm),
            ceiling=math.sqrt(watts(profile.mixer_overload.dbm + 13)),
        )
        self._second_per_w = 1 / watts(profile.second_order_intercept.dbm)
        self._zero_w = watts(profile.zero_feedthrough.dbm)
        # Zero-hertz feedthrough, then the second harmonic of the strongest line, then the residual spurs.
        self._own_hz = np.array([0.0, 0.0, *(spur.frequency.hz for spur in profile.spurs)])
        self._own_w = np.array([0.0, 0.0, *(watts(spur.level.dbm) for spur in profile.spurs)])

    def gain(self, attenuation_db: float, preamplifier: bool) -> float:
        """Return the gain in power from the connector to the mixer."""
        amplified = self._profile.preamplifier_gain.db if preamplifier else 0.0
        return float(10 ** ((amplified - attenuation_db) / 10))

    def lines(self, arrival: Arrival, attenuation_db: float, preamplifier: bool) -> Lines:
        """Return all lines that the analyser shows, its own ones included."""
        gain = self.gain(attenuation_db, preamplifier)
        root = math.sqrt(gain)
        mixed = [self._mixed(comb.orders, comb.amplitudes * root) for comb in arrival.combs]
        places = [comb.frequencies_hz(orders) for comb, (orders, _) in zip(arrival.combs, mixed, strict=True)]
        frequency = np.concatenate([*places, self._own_hz])
        power = np.concatenate([*(lines.real**2 + lines.imag**2 for _, lines in mixed), self._own_w])
        received = len(frequency) - len(self._own_hz)
        mixer_w = float(power[:received].sum()) + gain * sum(band.power_w for band in arrival.bands)
        power[:received] /= gain
        power[received] = self._zero_w
        power[received + 2 :] = self._own_w[2:] * 10 ** (attenuation_db / 10)
        if received:
            strongest = int(power[:received].argmax())
            frequency[received + 1] = 2 * frequency[strongest]
            power[received + 1] = power[strongest] ** 2 * gain * self._second_per_w
        skirts = tuple(
            (len(orders), comb.skirt) for comb, (orders, _) in zip(arrival.combs, mixed, strict=True)
        )
        return Lines(frequency_hz=frequency, power_w=power, skirts=skirts, mixer_w=mixer_w)

    def moving(self, centre_hz: float, attenuation_db: float) -> tuple[Floats, Floats]:
        """Return frequency in Hz and power in W of the lines that move with the analyser's centre."""
        spurs = self._profile.moving_spurs
        frequency = np.array([centre_hz + spur.offset.hz for spur in spurs])
        return frequency, np.array([watts(spur.level.dbm + attenuation_db) for spur in spurs])

    def _mixed(self, orders: NDArray[np.int64], lines: Complex) -> tuple[NDArray[np.int64], Complex]:
        """The mixer bends the envelope: to one period of samples, through the curve, and to lines again."""
        if len(orders) < 2 or (np.abs(lines) ** 2).max() < UNBENT_W:
            return orders, lines
        size = GRID
        while size <= 2 * np.abs(orders).max():
            size *= 2
        grid = np.zeros(size, dtype=np.complex128)
        grid[orders] = lines
        bent = np.fft.fft(amplify(np.fft.ifft(grid, norm="forward"), self.mixer), norm="forward")
        strength = np.abs(bent)
        kept = np.flatnonzero(strength > 1e-8 * strength.max())
        return np.where(kept >= size // 2, kept - size, kept), bent[kept]
