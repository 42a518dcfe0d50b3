"""I/Q modulator: offset, curvature on I and on Q, gain and phase imbalance, offset.

All functions work on samples, one at a time and without memory, so that one period on a coherent grid and a
long record go through the same code. Levels here are fractions of full scale: a tone at 0 dBFS has magnitude
1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hilkit.sim.profile_radio import ModulatorProfile, QuadratureProfile

__all__ = ["Modulator", "Quadrature", "modulate", "quadrature", "residual"]

Complex = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class Quadrature:
    """Gain ratio Q/I in dB, phase error in degrees, and the offset that leaks the carrier."""

    gain_db: float = 0.0
    phase_deg: float = 0.0
    offset: complex = 0j

    def towards(self, other: Quadrature, share: float) -> Quadrature:
        """Return the state that lies ``share`` (0..1) of the way to ``other``."""
        return Quadrature(
            gain_db=self.gain_db + share * (other.gain_db - self.gain_db),
            phase_deg=self.phase_deg + share * (other.phase_deg - self.phase_deg),
            offset=self.offset + share * (other.offset - self.offset),
        )

    @property
    def skew(self) -> complex:
        """The complex gain of the Q arm."""
        return complex(10 ** (self.gain_db / 20) * np.exp(1j * math.radians(self.phase_deg)))


def quadrature(profile: QuadratureProfile) -> Quadrature:
    """Return one state of a profile in plain numbers."""
    return Quadrature(
        gain_db=profile.gain.db,
        phase_deg=profile.phase.deg,
        offset=complex(profile.offset_i, profile.offset_q),
    )


def residual(
    profile: ModulatorProfile, *, carrier_hz: float, calibrated_at_hz: float | None, unsettled: float
) -> Quadrature:
    """Return what is left of the imbalance and offset.

    ``calibrated_at_hz`` is the carrier of the last good calibration, ``None`` without one. ``unsettled`` is 1
    with the corrections off and 0 when they have settled. The calibration's hold falls off exponentially with
    the distance of the carrier from where it was made.
    """
    raw = quadrature(profile.raw)
    if calibrated_at_hz is None:
        hold = 0.0
    else:
        hold = math.exp(-abs(carrier_hz - calibrated_at_hz) / profile.calibration_width.hz)
    start = raw.towards(quadrature(profile.calibrated), hold)
    return quadrature(profile.corrected).towards(start, unsettled)


@dataclass(frozen=True, kw_only=True)
class Modulator:
    """A modulator at one instant."""

    early_offset: complex = 0j
    square: tuple[float, float] = (0.0, 0.0)
    cubic: tuple[float, float] = (0.0, 0.0)
    quadrature: Quadrature = field(default_factory=Quadrature)
    imbalance_first: bool = False


def modulate(baseband: Complex, modulator: Modulator) -> Complex:
    """Return the modulated envelope of ``baseband`` samples; both are fractions of full scale."""
    samples = baseband + modulator.early_offset
    if modulator.imbalance_first:
        samples = _imbalance(samples, modulator.quadrature)
    samples = _curve(samples, modulator)
    if not modulator.imbalance_first:
        samples = _imbalance(samples, modulator.quadrature)
    return samples + modulator.quadrature.offset


def _imbalance(samples: Complex, state: Quadrature) -> Complex:
    """The Q arm is driven by a carrier of another amplitude and not quite 90 degrees away."""
    return samples.real + 1j * state.skew * samples.imag


def _curve(samples: Complex, modulator: Modulator) -> Complex:
    """Bend I and Q each for itself."""
    in_phase, quadrature_part = samples.real, samples.imag
    (square_i, square_q), (cubic_i, cubic_q) = modulator.square, modulator.cubic
    bent_i = in_phase * (1 + in_phase * (square_i + cubic_i * in_phase))
    bent_q = quadrature_part * (1 + quadrature_part * (square_q + cubic_q * quadrature_part))
    return np.asarray(bent_i + 1j * bent_q, dtype=np.complex128)
