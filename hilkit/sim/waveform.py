"""One frame of a modulated stream in time: OFDM symbols of known content, or noise of the same width.

The content follows TS 38.211: pseudo-random sequence 5.2.1, mapping 5.1, prefix 5.3.1, reference symbols
7.4.1.1 on every second subcarrier of symbols 2 and 11, data on all others; payload of zeros, so that the data
are the scrambling sequence, with the slot's number plus one in place of the terminal's.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hilkit.sim.noise import generator, white
from hilkit.sim.profile_radio import WaveformProfile

__all__ = ["FRAME_S", "frame"]

Complex = NDArray[np.complex128]

FRAME_S = 0.01
OVERSAMPLING = 4
"""Samples are made this much closer than the carrier needs: for what the chain spreads beside it."""

CHUNK = 28
"""Bits of the shift registers that come at once: none of them enters another one's feedback."""

AXIS = {
    2: (1.0, -1.0),
    4: (1.0, 3.0, -1.0, -3.0),
    6: (3.0, 1.0, 5.0, 7.0, -3.0, -1.0, -5.0, -7.0),
    8: (5.0, 7.0, 3.0, 1.0, 11.0, 9.0, 13.0, 15.0, -5.0, -7.0, -3.0, -1.0, -11.0, -9.0, -13.0, -15.0),
}
"""Amplitude of one axis for each word of its bits, the first bit of the most weight, by bits of a symbol."""


def frame(waveform: WaveformProfile) -> tuple[Complex, float]:
    """Return one frame of 10 ms of unit mean power and its sample rate in Hz."""
    if waveform.spacing is None:
        return _noise_like(waveform.occupied.hz, waveform.edge.hz)
    return _ofdm(waveform.occupied.hz, waveform.spacing.hz, waveform.bits, waveform.identity)


@lru_cache(maxsize=4)
def _noise_like(occupied_hz: float, edge_hz: float) -> tuple[Complex, float]:
    rate_hz = 3.84e6 * 2 ** math.ceil(math.log2(OVERSAMPLING * occupied_hz / 3.84e6))
    count = round(FRAME_S * rate_hz)
    far = (np.abs(np.fft.fftfreq(count, 1 / rate_hz)) - occupied_hz / 2) / max(edge_hz, 1.0)
    power = 0.5 * (1 - np.sin(np.pi * np.clip(far, -0.5, 0.5)))
    made = np.fft.ifft(np.sqrt(power) * white(generator(0, "waveform", occupied_hz), count))
    return made / np.sqrt(np.mean(np.abs(made) ** 2)), rate_hz


@lru_cache(maxsize=4)
def _ofdm(occupied_hz: float, spacing_hz: float, bits: int, identity: int) -> tuple[Complex, float]:
    carriers = round(occupied_hz / spacing_hz)
    size = OVERSAMPLING * 2 ** math.ceil(math.log2(carriers / 0.85))
    rate_hz = size * spacing_hz
    scale = round(spacing_hz / 15e3)
    made = np.zeros(round(FRAME_S * rate_hz), dtype=np.complex128)
    at = 0
    for slot in range(10 * scale):
        rows = _slot(slot, carriers, bits, identity)
        for symbol, row in enumerate(rows):
            longer = 16 * size * scale // 2048 if (14 * slot + symbol) % (7 * scale) == 0 else 0
            prefix = 144 * size // 2048 + longer
            bins = np.zeros(size, dtype=np.complex128)
            bins[: carriers - carriers // 2] = row[carriers // 2 :]
            bins[size - carriers // 2 :] = row[: carriers // 2]
            useful = np.fft.ifft(bins)
            made[at : at + prefix] = useful[size - prefix :]
            made[at + prefix : at + prefix + size] = useful
            at += prefix + size
    return made / np.sqrt(np.mean(np.abs(made) ** 2)), rate_hz


def _slot(slot: int, carriers: int, bits: int, identity: int) -> Complex:
    rows = np.zeros((14, carriers), dtype=np.complex128)
    free = np.ones((14, carriers), dtype=bool)
    free[2, 0::2] = free[11, 0::2] = False
    rows[free] = _mapped(_sequence((slot + 1) * 2**15 + identity, bits * int(free.sum())), bits)
    for symbol in (2, 11):
        start = (2**17 * (14 * slot + symbol + 1) * (2 * identity + 1) + 2 * identity) % 2**31
        rows[symbol, 0::2] = _mapped(_sequence(start, carriers), 2)
    return rows


def _mapped(sequence: NDArray[np.uint8], bits: int) -> Complex:
    axis = np.array(AXIS[bits])
    weights = 2 ** np.arange(bits // 2)[::-1]
    parts = sequence.reshape(-1, bits)
    points = axis[parts[:, 0::2] @ weights] + 1j * axis[parts[:, 1::2] @ weights]
    return np.asarray(points / math.sqrt(2 * float(np.mean(axis**2))), dtype=np.complex128)


def _sequence(start: int, length: int) -> NDArray[np.uint8]:
    """Two shift registers of 31 stages, run ``CHUNK`` steps at a time; the first 1600 bits are left out."""
    first, second, low = 1, start, 2**CHUNK - 1
    words = []
    for _ in range(-(-(1600 + length) // CHUNK)):
        words.append((first ^ second) & low)
        fed = (first ^ first >> 3) & low
        first = first >> CHUNK | fed << 3
        fed = (second ^ second >> 1 ^ second >> 2 ^ second >> 3) & low
        second = second >> CHUNK | fed << 3
    made = (np.array(words)[:, None] >> np.arange(CHUNK)) & 1
    return made.astype(np.uint8).ravel()[1600 : 1600 + length]
