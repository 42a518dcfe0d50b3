"""Power amplifier: an explicit third-order term with AM/PM, an optional fifth-order term and a soft ceiling.

The envelope x is the output without compression, in sqrt(W): |x|^2 is the power of the line or band. A
limiter whose curve is smooth at the origin to third order (a Rapp curve with p = 2, say) has no third-order
product at all, which is why the term is written out here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.sim.profile_radio import AmplifierProfile

__all__ = ["Amplifier", "amplifier", "amplify", "watts"]

Complex = NDArray[np.complex128]

SHARPNESS = 8
"""Exponent of the soft ceiling: high, so that the ceiling adds nothing at levels well below it."""


@dataclass(frozen=True, kw_only=True)
class Amplifier:
    """Coefficients of the envelope: ``third`` in 1/W, ``fifth`` in 1/W^2, ``ceiling`` in sqrt(W)."""

    third: complex = 0j
    fifth: complex = 0j
    ceiling: float = math.inf


def watts(dbm: float) -> float:
    """Return the power of a level, in W."""
    return float(10 ** (dbm / 10 - 3))


def amplifier(profile: AmplifierProfile) -> Amplifier:
    """Return the coefficients for the intercepts of a profile.

    Two equal tones of amplitude a leave third-order lines of |third| a^3, as large as the tones where a^2 =
    1/|third|: the intercept. The same for the fifth order and a^4.
    """
    direction = complex(np.exp(1j * math.radians(profile.intercept_phase.deg)))
    fifth = profile.fifth_order_intercept
    return Amplifier(
        third=direction / watts(profile.intercept.dbm),
        fifth=0j if fifth is None else direction / watts(fifth.dbm) ** 2,
        ceiling=math.inf if profile.saturation is None else math.sqrt(watts(profile.saturation.dbm)),
    )


def amplify(envelope: Complex, curve: Amplifier) -> Complex:
    """Return the amplified envelope, sample by sample."""
    power = envelope.real**2 + envelope.imag**2
    gain = 1 + power * (curve.third + power * curve.fifth)
    output = np.asarray(envelope * gain, dtype=np.complex128)
    if power.max() > (curve.ceiling / 4) ** 2:  # further below, the ceiling moves nothing by 1e-10
        ratio = np.abs(output) / curve.ceiling
        output /= (1 + ratio ** (2 * SHARPNESS)) ** (1 / (2 * SHARPNESS))
    return output
