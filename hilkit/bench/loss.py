"""How the loss of one path element depends on frequency: constant, table, square-root law, Touchstone file.

Losses are in dB, positive for a loss; a gain is a negative loss. Nothing is extrapolated: every model says
between which frequencies it holds, and the path refuses a frequency outside.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path as FilePath

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "ConstantLoss",
    "Loss",
    "SquareRootLoss",
    "TableLoss",
    "touchstone_loss",
    "touchstone_magnitude",
    "touchstone_phase",
    "touchstone_ports",
]

Floats = NDArray[np.float64]


class Loss(ABC):
    """Loss in dB over frequency in Hz between the two ends of ``coverage_hz``."""

    coverage_hz: tuple[float, float]
    grid_hz: Floats

    @abstractmethod
    def at(self, frequency_hz: Floats) -> Floats:
        """Return the loss in dB at each frequency; the caller has checked the coverage."""

    def least(self, low_hz: float, high_hz: float) -> float:
        """Return the lowest loss in dB between two frequencies inside the coverage.

        Between grid points the loss runs monotonically, so the ends and the grid points between them are
        enough.
        """
        inside = self.grid_hz[(self.grid_hz > low_hz) & (self.grid_hz < high_hz)]
        return float(self.at(np.concatenate(([low_hz, high_hz], inside))).min())


class ConstantLoss(Loss):
    """The same loss at every frequency, as of a fixed pad."""

    def __init__(self, loss_db: float) -> None:
        self.loss_db = loss_db
        self.coverage_hz = (0.0, math.inf)
        self.grid_hz = np.empty(0)

    def at(self, frequency_hz: Floats) -> Floats:
        """Return the constant for each frequency."""
        return np.full(np.shape(frequency_hz), self.loss_db)


class TableLoss(Loss):
    """A table of loss in dB, linear in dB between its points over ``f`` or over ``sqrt(f)``.

    The loss of a cable's conductors grows with the square root of frequency (skin effect), so over
    ``sqrt(f)`` its curve is nearly straight and few points suffice.
    """

    def __init__(self, frequency_hz: ArrayLike, loss_db: ArrayLike, *, square_root: bool = False) -> None:
        self.grid_hz = np.asarray(frequency_hz, dtype=np.float64)
        self.loss_db = np.asarray(loss_db, dtype=np.float64)
        if len(self.grid_hz) < 2 or np.any(np.diff(self.grid_hz) <= 0):
            raise ValueError("a loss table needs at least two frequencies in rising order")
        self.square_root = square_root
        self.coverage_hz = (float(self.grid_hz[0]), float(self.grid_hz[-1]))
        self._axis = np.sqrt(self.grid_hz) if square_root else self.grid_hz

    @classmethod
    def of(cls, points: Mapping[float, float], *, square_root: bool = False) -> TableLoss:
        """Make a table of ``{frequency in Hz: loss in dB}`` in any order."""
        ordered = sorted(points.items())
        return cls([f for f, _ in ordered], [loss for _, loss in ordered], square_root=square_root)

    def at(self, frequency_hz: Floats) -> Floats:
        """Return the interpolated loss."""
        axis = np.sqrt(frequency_hz) if self.square_root else frequency_hz
        return np.asarray(np.interp(axis, self._axis, self.loss_db), dtype=np.float64)


class SquareRootLoss(Loss):
    """One known point and the law loss = loss0 sqrt(f / f0), between ends that the engineer vouches for."""

    def __init__(self, frequency_hz: float, loss_db: float, *, low_hz: float, high_hz: float) -> None:
        self.frequency_hz = frequency_hz
        self.loss_db = loss_db
        self.coverage_hz = (low_hz, high_hz)
        self.grid_hz = np.empty(0)

    def at(self, frequency_hz: Floats) -> Floats:
        """Return the scaled loss."""
        return np.asarray(self.loss_db * np.sqrt(frequency_hz / self.frequency_hz), dtype=np.float64)


@lru_cache(maxsize=64)
def _network(file: FilePath, modified_ns: int) -> tuple[Floats, NDArray[np.complex128]]:
    # scikit-rf brings pandas and takes most of a second to import: only a path that has such a file pays for
    # it.
    import skrf

    network = skrf.Network(str(file))
    return np.asarray(network.f, dtype=np.float64), np.asarray(network.s, dtype=np.complex128)


def _read(file: FilePath) -> tuple[Floats, NDArray[np.complex128]]:
    return _network(file, file.stat().st_mtime_ns)


def touchstone_ports(file: FilePath) -> int:
    """Return how many ports the network in a Touchstone file has.

    Raises whatever scikit-rf raises for a file that is none: the loader turns it into a message with a place.
    """
    return int(_read(file)[1].shape[1])


def touchstone_magnitude(file: FilePath, *, to_port: int, from_port: int) -> tuple[Floats, Floats]:
    """Return the grid of a Touchstone file in Hz and the magnitude of S(to, from); ports count from 1."""
    frequency_hz, s = _read(file)
    return frequency_hz, np.abs(s[:, to_port - 1, from_port - 1])


def touchstone_phase(file: FilePath, *, to_port: int, from_port: int) -> Floats:
    """Return the unwrapped phase of S(to, from) in radians on the grid of a Touchstone file."""
    return np.asarray(np.unwrap(np.angle(_read(file)[1][:, to_port - 1, from_port - 1])), dtype=np.float64)


def touchstone_loss(file: FilePath, *, to_port: int, from_port: int) -> TableLoss:
    """Return -20 log10 of the magnitude of S(to, from) in dB on the grid of the file; ports count from 1.

    Between grid points the loss is interpolated in dB, so the fast phase of a long line does no harm.
    """
    frequency_hz, magnitude = touchstone_magnitude(file, to_port=to_port, from_port=from_port)
    if not np.all(np.isfinite(magnitude)) or np.any(magnitude <= 0):
        raise ValueError(f"S({to_port},{from_port}) is zero or not a number at some frequencies")
    return TableLoss(frequency_hz, -20.0 * np.log10(magnitude))
