"""Resolution filters: their shape, their noise bandwidth, and what a sweep that is too fast does to them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Filter", "SweepSpeed", "resolution_filter", "sweep_loss"]

Floats = NDArray[np.float64]
Shape = Literal["gaussian", "four_pole"]

NOTHING = 1e-21
"""Smallest line power behind the filter that is worth computing, in W (-180 dBm)."""

FOUR_POLES = 2**0.25 - 1


def _noise_ratio(shape: Shape) -> float:
    """Noise bandwidth over -3 dB width, from the integral of the power response itself."""
    distance = np.linspace(-40, 40, 400_001)
    return float(np.sum(_response(shape, distance)) * (distance[1] - distance[0]))


def _response(shape: Shape, widths: Floats) -> Floats:
    """Power response at a distance given in -3 dB widths."""
    if shape == "gaussian":
        return np.asarray(np.exp2(-4 * np.square(widths)), dtype=np.float64)
    return np.asarray((1 + (4 * FOUR_POLES) * np.square(widths)) ** -4.0, dtype=np.float64)


_NOISE_RATIO: dict[str, float] = {}


@dataclass(frozen=True, kw_only=True)
class Filter:
    """A filter of true -3 dB width ``width_hz``."""

    shape: Shape
    width_hz: float

    @property
    def noise_bandwidth_hz(self) -> float:
        """Width of the rectangle that passes the same noise power."""
        return self.width_hz * _NOISE_RATIO[self.shape]

    def response(self, distance_hz: Floats) -> Floats:
        """Power response at a distance from the centre."""
        return _response(self.shape, distance_hz / self.width_hz)

    def reach_hz(self, power_w: float) -> float:
        """Distance beyond which a line of ``power_w`` is not worth computing."""
        ratio = power_w / NOTHING
        if ratio <= 1:
            return 0.0
        if self.shape == "gaussian":
            return self.width_hz * math.sqrt(math.log2(ratio) / 4)
        return self.width_hz * math.sqrt((ratio**0.25 - 1) / (4 * FOUR_POLES))

    def through(self, axis_hz: Floats, frequency_hz: Floats, power_w: Floats) -> Floats:
        """Return the power of all lines behind the filter at each tuned frequency.

        Lines add in power: what an RMS detector sees of lines that beat within the filter.
        """
        points = len(axis_hz)
        total = np.zeros(points)
        step = (axis_hz[-1] - axis_hz[0]) / (points - 1) if points > 1 else 0.0
        reach = self.reach_hz(float(power_w.max()))
        near = (frequency_hz > axis_hz[0] - reach) & (frequency_hz < axis_hz[-1] + reach)
        frequency, power = frequency_hz[near], power_w[near]
        side = int(reach / step) + 1 if step > 0 else points
        if 2 * side + 1 >= points:
            for line, strength in zip(frequency, power, strict=True):
                total += strength * self.response(np.asarray(axis_hz - line, dtype=np.float64))
            return total
        nearest = np.rint((frequency - axis_hz[0]) / step).astype(np.int64)
        index = nearest[:, None] + np.arange(-side, side + 1)
        distance = axis_hz[0] + index * step - frequency[:, None]
        values = power[:, None] * self.response(np.asarray(distance, dtype=np.float64))
        inside = (index >= 0) & (index < points)
        return np.bincount(index[inside], weights=values[inside], minlength=points).astype(np.float64)

    def smooth(self, offset_hz: Floats, grid_hz: Floats, density: Floats) -> Floats:
        """Return the power of a density (W/Hz on an even grid) behind the filter at each tuned offset."""
        step = float(grid_hz[1] - grid_hz[0])
        side = math.ceil(4 * self.width_hz / step)
        if side > 2:
            kernel = self.response(np.asarray(np.arange(-side, side + 1) * step, dtype=np.float64))
            if len(kernel) > len(density):  # a filter wider than all of the stream: its own shape is seen
                density = np.pad(density, side)
                grid_hz = grid_hz[0] + step * np.arange(-side, len(density) - side)
            density = np.convolve(density, kernel / kernel.sum(), mode="same")
        return np.interp(offset_hz, grid_hz, density, left=0.0, right=0.0) * self.noise_bandwidth_hz


def resolution_filter(shape: Shape, width_hz: float) -> Filter:
    """Return a filter of the given true -3 dB width."""
    if shape not in _NOISE_RATIO:
        _NOISE_RATIO[shape] = _noise_ratio(shape)
    return Filter(shape=shape, width_hz=width_hz)


@dataclass(frozen=True, kw_only=True)
class SweepSpeed:
    """What a sweep that is too fast does: change of level in dB, of the filter's width, of frequency."""

    loss_db: float
    widening: float
    shift_hz: float


def sweep_loss(span_hz: float, sweep_s: float, calibrated_s: float, rbw_hz: float) -> SweepSpeed:
    """Return the effect of the sweep's speed on a Gaussian filter.

    A chirp of rate r through a Gaussian filter of -3 dB width B comes out lower by 5 log10(1 + (0.4413
    r/B^2)^2) dB and wider by the square root of the bracket, 0.4413 = 2 ln 2 / pi; its peak is late by the
    filter's delay, about 0.9/B. The maker calibrates up to the shortest calibrated sweep time, so only what
    lies beyond it shows.
    """
    rate = span_hz / sweep_s / rbw_hz**2
    allowed = min(rate, span_hz / calibrated_s / rbw_hz**2)
    factor = (2 * math.log(2) / math.pi) ** 2
    bracket = (1 + factor * rate**2) / (1 + factor * allowed**2)
    return SweepSpeed(
        loss_db=-5 * math.log10(bracket),
        widening=math.sqrt(bracket),
        shift_hz=0.9 * (rate - allowed) * rbw_hz,
    )
