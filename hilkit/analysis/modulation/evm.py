"""The error vector: how far symbols lie from where they should be.

Normalised to the mean power of the ideal symbols (TS 38.104, B.2), never to their peak: for 16QAM the peak
lies 2.55 dB above the mean, and an error vector against the peak reads that much less.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.errors import MeasurementError

__all__ = ["ErrorVector", "error_vector", "evm_db", "normalised_evm", "origin_offset_db"]

Complex = NDArray[np.complexfloating]


@dataclass(frozen=True, kw_only=True)
class ErrorVector:
    """RMS and peak error vector, RMS error of magnitude, as fractions of the RMS ideal symbol;
    RMS phase error in degrees.
    """

    rms: float
    peak: float
    magnitude: float
    phase_deg: float

    @property
    def rms_percent(self) -> float:
        """The RMS error vector in %."""
        return 100 * self.rms


def normalised_evm(measured: Complex, ideal: Complex) -> float:
    """Return sqrt(sum |z - s|^2 / sum |s|^2), a fraction, for symbols as they stand: nothing is fitted.

    Both arrays have one shape, in one unit; ``MeasurementError`` for ideal symbols without power.
    """
    measured, ideal = np.asarray(measured), np.asarray(ideal)
    if measured.shape != ideal.shape:
        raise ValueError(f"{measured.shape} symbols were measured and {ideal.shape} are ideal")
    power = _power(ideal)
    if not power > 0:
        raise MeasurementError("no symbols to compare with", next_step="check what the signal should be")
    return math.sqrt(_power(measured - ideal) / power)


def error_vector(measured: Complex, ideal: Complex) -> ErrorVector:
    """Return the error vector of symbols as they stand, with its parts; arrays as for ``normalised_evm``."""
    rms = normalised_evm(measured, ideal)
    measured, ideal = np.asarray(measured).ravel(), np.asarray(ideal).ravel()
    unit = math.sqrt(_power(ideal) / ideal.size)
    there = np.abs(ideal) > 0
    turned = np.angle(measured[there] * np.conj(ideal[there]))
    return ErrorVector(
        rms=rms,
        peak=float(np.abs(measured - ideal).max()) / unit,
        magnitude=float(np.sqrt(np.mean((np.abs(measured) - np.abs(ideal)) ** 2))) / unit,
        phase_deg=math.degrees(float(np.sqrt(np.mean(turned**2)))),
    )


def evm_db(fraction: float) -> float:
    """Return an error vector in dB: 20 log10 of the fraction, lowest -200."""
    return 20 * math.log10(max(fraction, 1e-10))


def origin_offset_db(offset: complex, ideal: Complex) -> float:
    """Return the power of a constant ``offset`` against the mean power of the ideal symbols in dB, lowest
    -200."""
    mean = _power(np.asarray(ideal)) / max(np.asarray(ideal).size, 1)
    return 10 * math.log10(max(abs(offset) ** 2 / mean, 1e-20))


def _power(symbols: Complex) -> float:
    return float(np.vdot(symbols, symbols).real)
