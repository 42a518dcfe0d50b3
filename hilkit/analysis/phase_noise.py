"""Phase noise: single-sideband density at offsets, integrated over segments, as phase and as jitter.

L(f) is the power density of one sideband at an offset f, against the carrier, in dBc/Hz: half of the phase's
one-sided spectral density (IEEE Std 1139). Between two offsets it is a straight line in dBc/Hz over the
logarithm of the offset.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hilkit.analysis.averages import DB_PER_NEPER
from hilkit.errors import MeasurementError
from hilkit.readings import Trace

__all__ = ["NoiseDensity", "density_in", "integrated_ssb_dbc", "rms_jitter_s", "rms_phase_rad"]

_NEAR_UNITY = 1e-9
_OUTLIER_SD = 6.0


@dataclass(frozen=True, kw_only=True)
class NoiseDensity:
    """A noise density in dBm/Hz with its standard deviation; ``line_over_db`` is by how much the highest
    point exceeds what noise explains, negative where none does."""

    dbm_per_hz: float
    sd_db: float
    line_over_db: float


def density_in(trace: Trace, *, low_hz: float, high_hz: float) -> NoiseDensity:
    """Return the mean noise density of ``trace`` from ``low_hz`` to ``high_hz``, by powers.

    The mean power of the points over the noise bandwidth of the filter (Application Note 150, "Spectrum
    Analysis Basics", p. 67). The highest point may exceed a straight line through
    the levels by 6 standard deviations of one point; more is a spectral line.
    ``MeasurementError`` where fewer than three points lie there.
    """
    inside = (trace.frequency_hz >= low_hz - 1e-6) & (trace.frequency_hz <= high_hz + 1e-6)
    power = 10 ** (trace.level_dbm[inside] / 10)
    if len(power) < 3:
        raise MeasurementError(
            f"{len(power)} points of the trace lie between {low_hz / 1e6:.6f} and {high_hz / 1e6:.6f} MHz: "
            "at least 3 are needed for a density",
            next_step="sweep a span that holds them",
        )
    mean = float(power.mean())
    # Points nearer than a filter width share their samples.
    width_hz = max(high_hz - low_hz, trace.noise_bandwidth_hz)
    independent = min(len(power), max(1.0, width_hz / trace.noise_bandwidth_hz))
    own = 1 / math.sqrt(trace.samples_per_point)
    # The density falls over the span: what counts is the distance from a straight line through it.
    frequency, level = trace.frequency_hz[inside] - low_hz, trace.level_dbm[inside]
    beside = 10 ** ((level - np.polyval(np.polyfit(frequency, level, 1), frequency)) / 10)
    over_db = 10 * math.log10(float(beside.max() / beside.mean())) - 10 * math.log10(1 + _OUTLIER_SD * own)
    return NoiseDensity(
        dbm_per_hz=10 * math.log10(mean) - 10 * math.log10(trace.noise_bandwidth_hz),
        sd_db=DB_PER_NEPER * own / math.sqrt(independent),
        line_over_db=over_db,
    )


def integrated_ssb_dbc(offset_hz: Sequence[float], density_dbc_hz: Sequence[float]) -> float:
    """Return the power in dBc of one sideband between the first and the last offset.

    Each segment is a power law L = L1 (f/f1)^b, integrated in closed form; b = -1, -10 dB per decade, needs
    the logarithm. ``ValueError`` where the offsets do not rise from above zero, or there are fewer than two.
    """
    offset = np.asarray(offset_hz, dtype=float)
    density = 10 ** (np.asarray(density_dbc_hz, dtype=float) / 10)
    if offset.shape != density.shape or offset.size < 2 or offset[0] <= 0 or np.any(np.diff(offset) <= 0):
        raise ValueError("at least two offsets are needed, rising from above 0 Hz, each with its density")
    total = 0.0
    for f1, f2, low, high in zip(offset[:-1], offset[1:], density[:-1], density[1:], strict=True):
        power = math.log(high / low) / math.log(f2 / f1) + 1
        if abs(power) < _NEAR_UNITY:
            total += low * f1 * math.log(f2 / f1)
        else:
            total += low * f1 * ((f2 / f1) ** power - 1) / power
    return 10 * math.log10(total)


def rms_phase_rad(ssb_dbc: float) -> float:
    """Return the rms phase in rad of an integrated sideband: both sidebands count, hence sqrt(2 x 10^(A/10)).

    For small angles (IEEE Std 1139); the formula as printed with worked examples by makers of oscillators.
    """
    return math.sqrt(2 * 10 ** (ssb_dbc / 10))


def rms_jitter_s(phase_rad: float, carrier_hz: float) -> float:
    """Return the rms jitter in s of an rms phase of a carrier: phase over 2 pi f."""
    if not carrier_hz > 0:
        raise ValueError(f"the carrier is {carrier_hz} Hz; it must be above 0")
    return phase_rad / (2 * math.pi * carrier_hz)
