"""How many samples a reading needs, and the filter and sweep time that give them.

A power (RMS) reading of a line with signal-to-noise ratio S in the resolution bandwidth, from K independent
samples, scatters by sd = 4.343 sqrt((2 S + 1)/K)/S in dB once the floor is subtracted. Derivation: the power
of a line plus complex Gaussian noise of mean n has the variance n^2 + 2 n s in one sample. Noise alone
scatters by 4.343/sqrt(K) dB.
"""

from __future__ import annotations

import math

__all__ = [
    "DB_PER_NEPER",
    "SAMPLES_PER_BT",
    "line_sd_db",
    "noise_sd_db",
    "rbw_for_floor_hz",
    "samples_for_line",
    "samples_for_noise",
    "sweep_time_s",
]

DB_PER_NEPER = 10.0 / math.log(10.0)
"""4.343: a small relative change of power times this is its change in dB."""

SAMPLES_PER_BT = 1.505
"""Independent power samples a Gaussian filter of -3 dB width B gives in a time T are 1.505 B T.

Derivation: the normalised correlation of the filtered noise is exp(-(pi B t)^2/(4 ln 2)); the inverse of the
integral of its square is B sqrt(pi/(2 ln 2)) = 1.505 B.
"""


def line_sd_db(snr_db: float, samples: float) -> float:
    """Return the standard deviation, in dB, of a line read at ``snr_db`` above the floor in the RBW."""
    _positive("samples", samples)
    snr = 10 ** (snr_db / 10)
    return DB_PER_NEPER * math.sqrt((2 * snr + 1) / samples) / snr


def samples_for_line(snr_db: float, sd_db: float) -> int:
    """Return the independent samples a point needs for a line to scatter by no more than ``sd_db``."""
    _positive("sd_db", sd_db)
    return max(1, math.ceil((line_sd_db(snr_db, 1.0) / sd_db) ** 2))


def noise_sd_db(samples: float) -> float:
    """Return the standard deviation, in dB, of a mean of ``samples`` independent powers of noise."""
    _positive("samples", samples)
    return DB_PER_NEPER / math.sqrt(samples)


def samples_for_noise(sd_db: float) -> int:
    """Return the independent samples for a noise-like power to scatter by no more than ``sd_db``."""
    _positive("sd_db", sd_db)
    return max(1, math.ceil((DB_PER_NEPER / sd_db) ** 2))


def sweep_time_s(*, samples: float, points: int, rbw_hz: float) -> float:
    """Return the sweep time, in seconds, that puts ``samples`` independent samples behind each RMS point."""
    _positive("samples", samples)
    return samples * points / (SAMPLES_PER_BT * rbw_hz)


def rbw_for_floor_hz(*, density_dbm_hz: float, floor_dbm: float, noise_bandwidth_ratio: float) -> float:
    """Return the widest RBW, in hertz, in which noise of ``density_dbm_hz`` stays at or under
    ``floor_dbm``."""
    _positive("noise_bandwidth_ratio", noise_bandwidth_ratio)
    return float(10 ** ((floor_dbm - density_dbm_hz) / 10)) / noise_bandwidth_ratio


def _positive(name: str, value: float) -> None:
    if not value > 0:
        raise ValueError(f"{name} is {value}; it must be above 0")
