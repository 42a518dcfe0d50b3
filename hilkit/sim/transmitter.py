"""One transmit channel from the digital stream to the port, for a stream of one tone and for a modulated one.

A tone and everything that the chain makes of it repeat with the offset of the tone, so that one period on a
grid of ``GRID`` samples and an FFT give each line exactly: line k lies at carrier + k x offset. Two tones
repeat with the offset of which both are multiples, on a grid fine enough for their products.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hilkit.sim.amplifier import Amplifier, amplify
from hilkit.sim.modulator import Modulator, modulate

__all__ = ["GRID", "Band", "Transmission", "band", "period", "record", "spectrum"]

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

GRID = 128
SAMPLES_PER_CYCLE = 16
"""Samples to a cycle of the faster of two tones: products up to the seventh order find their place."""

BAND_POINTS = 4096
BAND_WIDTHS = 8.0


@dataclass(frozen=True, kw_only=True)
class Transmission:
    """All that shapes the signal of a channel at one instant; ``gain`` is sqrt(W) at the port per full scale.

    ``drive`` is the magnitude of each tone as a fraction of full scale, for a modulated stream its RMS value.
    ``tones`` are the multiples of ``offset_hz`` at which the tones lie.
    """

    carrier_hz: float
    offset_hz: float = 0.0
    tones: tuple[int, ...] = (1,)
    drive: float = 0.0
    occupied_hz: float = 0.0
    edge_hz: float = 0.0
    modulator: Modulator = field(default_factory=Modulator)
    gain: float = 0.0
    amplifier: Amplifier = field(default_factory=Amplifier)
    leak: complex = 0j
    rf_on: bool = True
    off_gain: float = 0.0
    off_residue: complex = 0j


def record(transmission: Transmission, baseband: Complex) -> Complex:
    """Send samples of the digital stream through the chain; returns the envelope at the port in sqrt(W)."""
    driven = transmission.gain * modulate(baseband, transmission.modulator)
    port = amplify(driven, transmission.amplifier) + transmission.leak
    return port if transmission.rf_on else port * transmission.off_gain + transmission.off_residue


@lru_cache(maxsize=256)
def spectrum(transmission: Transmission) -> tuple[NDArray[np.int64], Complex]:
    """Return the orders and the complex amplitudes in sqrt(W) of the lines of a tone (or of no stream at
    all).
    """
    if not transmission.drive or transmission.occupied_hz:
        still = record(transmission, np.zeros(1, dtype=np.complex128))
        return np.zeros(1, dtype=np.int64), still
    baseband = period(transmission)
    grid = len(baseband)
    lines = np.fft.fft(record(transmission, baseband)) / grid
    kept = np.abs(lines) > 1e-9 * np.abs(lines).max()
    return np.fft.fftfreq(grid, 1 / grid).astype(np.int64)[kept], lines[kept]


def period(transmission: Transmission) -> Complex:
    """Return one period of the tones of a stream, as fractions of full scale."""
    grid = GRID
    while len(transmission.tones) > 1 and grid < SAMPLES_PER_CYCLE * max(map(abs, transmission.tones)):
        grid *= 2
    turns = 2j * np.pi * np.arange(grid) / grid
    tones = sum((np.exp(turns * each) for each in transmission.tones), np.zeros(grid, dtype=np.complex128))
    return np.asarray(transmission.drive * tones, dtype=np.complex128)


@dataclass(frozen=True, kw_only=True)
class Band:
    """The spectrum of a modulated stream as densities over the offset from the carrier, in W/Hz.

    ``linear`` is the stream with its image, ``shape`` the third-order spectrum for a coefficient of 1/W,
    which a later third-order stage needs for adding its own coherently to ``third``.
    """

    carrier_hz: float
    offset_hz: Floats
    linear: Floats
    shape: Floats
    third: complex
    power_w: float


@lru_cache(maxsize=64)
def band(transmission: Transmission) -> Band | None:
    """Return the spectrum of a modulated stream; ``None`` if none plays.

    For complex Gaussian samples x of autocorrelation R, the output x + c|x|^2 x has the autocorrelation |1 +
    2 c R(0)|^2 R + 2 |c|^2 |R|^2 R (moments of Gaussian variables). The cubic on I and on Q is, for equal
    coefficients a, the same with c = 3a/4 and a small conjugate part that is left out here.
    """
    if not transmission.occupied_hz or not transmission.drive:
        return None
    step = BAND_WIDTHS * transmission.occupied_hz / BAND_POINTS
    offset = np.asarray((np.arange(BAND_POINTS) - BAND_POINTS // 2) * step, dtype=np.float64)
    power = (transmission.gain * transmission.drive) ** 2
    flat = _edges(offset, transmission.occupied_hz, transmission.edge_hz)
    stream = flat * (power / (flat.sum() * step))
    third = transmission.amplifier.third + 0.375 * sum(transmission.modulator.cubic) / transmission.gain**2
    linear = stream * abs(1 + 2 * third * power) ** 2
    skew = transmission.modulator.quadrature.skew
    linear = linear * abs((1 + skew) / 2) ** 2 + np.roll(linear[::-1], 1) * abs((1 - skew) / 2) ** 2
    switch = 1.0 if transmission.rf_on else transmission.off_gain**2
    shape = _third_order(stream, step) * switch
    linear *= switch
    return Band(
        carrier_hz=transmission.carrier_hz,
        offset_hz=offset,
        linear=linear,
        shape=shape,
        third=complex(third),
        power_w=float(linear.sum() * step),
    )


def _edges(offset: Floats, occupied_hz: float, edge_hz: float) -> Floats:
    """A flat band whose edges fall like a raised cosine, -3 dB at half the occupied width."""
    distance = (np.abs(offset) - occupied_hz / 2) / max(edge_hz, 1.0)
    return np.asarray(0.5 * (1 - np.sin(np.pi * np.clip(distance, -0.5, 0.5))), dtype=np.float64)


def _third_order(stream: Floats, step: float) -> Floats:
    correlation = np.fft.ifft(np.fft.ifftshift(stream)) * (len(stream) * step)
    bent = 2 * np.abs(correlation) ** 2 * correlation
    return np.maximum(np.fft.fftshift(np.fft.fft(bent)).real / (len(stream) * step), 0.0)
