"""A swept trace with the settings that make its numbers mean something."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Trace"]


@dataclass(frozen=True, kw_only=True)
class Trace:
    """One finished sweep (or average of sweeps) of a signal analyser.

    ``frequency_hz`` and ``level_dbm`` have the same length. The levels are those at the analyser's input
    connector, no path loss applied. All settings are as read back, not as sent.
    """

    frequency_hz: NDArray[np.float64]
    level_dbm: NDArray[np.float64]
    rbw_hz: float
    noise_bandwidth_hz: float
    detector: str
    average_type: str
    averages: int
    sweep_time_s: float
    attenuation_db: float
    reference_level_dbm: float
    preamplifier: bool = False

    @property
    def spacing_hz(self) -> float:
        """Distance between neighbouring points."""
        return float(self.frequency_hz[1] - self.frequency_hz[0])

    @property
    def span_hz(self) -> float:
        """Distance between the first and the last point."""
        return float(self.frequency_hz[-1] - self.frequency_hz[0])

    @property
    def samples_per_point(self) -> float:
        """Independent power samples behind each point: of an RMS trace many, of any other one a sweep.

        A Gaussian filter of -3 dB width B gives 1.505 B T independent samples in the time T spent on a point;
        an average of N sweeps multiplies it. Derivation: the inverse of the integral of the squared
        normalised correlation of the filtered noise power. At least one per sweep.
        """
        if self.detector != "rms":
            return float(max(1, self.averages))
        dwell_s = self.sweep_time_s / len(self.frequency_hz)
        return max(1.0, 1.505 * self.rbw_hz * dwell_s) * max(1, self.averages)
