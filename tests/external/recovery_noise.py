"""How the reading of a line scatters, how far its tails reach, and the tolerance that goes with it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

__all__ = ["CONFIDENT_Z", "Noise", "Z", "db", "line_scatter", "table_tolerance_db", "tail"]

Z = 7.0
"""Standard deviations that are allowed where they are more than the tolerance of the table."""

CONFIDENT_Z = 1.645
"""One-sided 95 % point of the normal law: what a bound of that confidence has on top of its estimate."""

SLACK = 1.5
"""A bound may rest on a scatter that much above the expected one: floor and filter are its own estimates."""

POINTS, REACH_RBW = 51, 5.0
"""Points of the sweep across a line, and how far it reaches to each side."""


def db(ratio: float) -> float:
    """Return a ratio of powers in dB."""
    return 10 * math.log10(ratio)


def table_tolerance_db(snr_db: float) -> float:
    """Return the tolerance in dB for a line that far above the floor, at 150 samples a point or more."""
    for least_db, tolerance_db in ((30.0, 0.1), (20.0, 0.2), (15.0, 0.4)):
        if snr_db >= least_db:
            return tolerance_db
    return 0.7


def line_scatter(snr: float, samples: float) -> tuple[float, float]:
    """Return the standard deviation of a line's power in units of the floor, and how heavy its tails are.

    Least squares with the weights of the statistics, for line and floor unknown, over points a fifth of a
    Gaussian filter apart, each the mean of ``samples`` independent powers: a mean of such powers of a line S
    and a floor of 1 has the variance (1 + 2 S)/samples. For the tails see ``tail``.
    """
    form = np.exp2(-4 * np.square(np.linspace(-REACH_RBW, REACH_RBW, POINTS)))
    variance = (1 + 2 * snr * form) / samples
    terms = np.stack([form, np.ones_like(form)])
    share = np.linalg.inv((terms / variance) @ terms.T)[0] @ (terms / variance)
    sd = math.sqrt(float(np.sum(share**2 * variance)))
    return sd, float(np.abs(share).max()) / samples / sd


def tail(distance: float, sd: float, heaviness: float) -> float:
    """Bound the probability that a weighted mean of powers lies ``distance`` or more above its expectation.

    Bernstein's inequality, exp(-t^2 / (2 (1 + h t))) with t in standard deviations. It holds for a sum of
    independent powers of a line in Gaussian noise: the logarithm of the moment generating function of one of
    them, less its mean, is -ln(1 - u n) - u n + s u^2 n / (1 - u n) for line s and noise n, which is at most
    (n^2 + 2 n s) u^2 / (2 (1 - u n)). ``heaviness`` h is the largest n in the sum, in standard deviations of
    the sum.
    """
    t = distance / sd
    return math.exp(-t * t / (2 * (1 + heaviness * t)))


@dataclass(frozen=True)
class Noise:
    """A line of power ``snr`` over a floor of 1, read from ``samples`` independent powers a point."""

    snr: float
    samples: float

    @cached_property
    def _scatter(self) -> tuple[float, float]:
        return line_scatter(self.snr, self.samples)

    @property
    def snr_db(self) -> float:
        """Distance of the line from the floor."""
        return db(self.snr)

    @property
    def sd(self) -> float:
        """Standard deviation of the line's power, in units of the floor."""
        return self._scatter[0]

    @property
    def heaviness(self) -> float:
        """How heavy the tails of the line's power are; see ``tail``."""
        return self._scatter[1]

    @property
    def sd_db(self) -> float:
        """Standard deviation of the level in dB, for small ones."""
        return 10 / math.log(10) * self.sd / self.snr

    @property
    def sd_rbw(self) -> float:
        """Standard deviation of the centre in filter widths, from the points within one width of it."""
        offset = np.linspace(-1, 1, 11)
        form = np.exp2(-4 * np.square(offset))
        slope = self.snr * form * (8 * math.log(2) * offset)
        return 1 / math.sqrt(float(np.sum(slope**2 * self.samples / (1 + 2 * self.snr * form))))

    @property
    def allowed_db(self) -> float:
        """What a level may be off by statistics."""
        return max(table_tolerance_db(self.snr_db), Z * self.sd_db)

    def beyond(self, allowed_db: float) -> float:
        """Bound the probability that the line reads more than ``allowed_db`` too high or too low."""
        up, down = 10 ** (allowed_db / 10) - 1, 1 - 10 ** (-allowed_db / 10)
        return sum(tail(part * self.snr, self.sd, self.heaviness) for part in (up, down))

    def lowest_bound_db(self, bound: float) -> float:
        """Return how far under the line a 95 % bound may lie that is ``bound`` times the floor."""
        return -db(1 + (Z - CONFIDENT_Z) * self.sd / bound)

    def highest_bound_db(self) -> float:
        """Return how far above the line one may lie: an estimate that is high, and its scatter there."""
        highest = Noise(self.snr + Z * self.sd, self.samples)
        return db((highest.snr + SLACK * CONFIDENT_Z * highest.sd) / self.snr)
