"""A single carrier of QAM symbols: matched filter, timing, carrier and phase, and the error vector.

Timing from the line that the squared envelope has at the symbol rate, frequency from the line of the fourth
power of the symbols; then gain, phase, frequency and origin offset are fitted to the decided symbols, as is
common practice for a single carrier.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.analysis.modulation.evm import ErrorVector, error_vector, origin_offset_db
from hilkit.analysis.modulation.grid import constellation
from hilkit.analysis.modulation.pulse import root_raised_cosine_response
from hilkit.analysis.modulation.sync import no_carrier
from hilkit.errors import MeasurementError

__all__ = ["QamQuality", "demodulate_qam"]

Complex = NDArray[np.complex128]

LEAST_SYMBOLS = 256
GRID = 16
"""Samples of a symbol at which the filtered signal is made, before it is interpolated at the instants."""

LINE_OVER_RMS = 5.0
"""What a line must reach over the RMS of its spectrum: noise reaches 3.7 among 10^6 values."""

EDGE_SYMBOLS = 16
"""Symbols left out at each end, where the matched filter sees only a part of its pulse."""


@dataclass(frozen=True, kw_only=True, eq=False)
class QamQuality:
    """Error vector, frequency error in Hz, origin offset in dB, timing in s, symbols of unit mean power.

    ``timing_s`` is the first symbol instant after the first sample.
    """

    vector: ErrorVector
    frequency_error_hz: float
    origin_offset_db: float
    timing_s: float
    symbols: Complex
    decided: Complex


def demodulate_qam(
    samples: NDArray[np.complexfloating],
    *,
    rate_hz: float,
    symbol_rate_hz: float,
    roll_off: float,
    modulation: str,
) -> QamQuality:
    """Return what a capture of a single carrier shows.

    ``samples`` are complex, shape (n,), of any unit, at ``rate_hz`` of at least (1 + roll-off) times the
    symbol rate. The carrier may be off by an eighth of the symbol rate, less what the capture's own filter
    cuts. The symbols are decided, so that an error vector near half the distance of two symbols reads low.
    ``MeasurementError``: too short, or "no carrier found".
    """
    ideal = constellation(modulation).astype(np.complex128)
    samples = np.asarray(samples, dtype=np.complex128)
    if rate_hz < (1 + roll_off) * symbol_rate_hz:
        raise ValueError(f"samples at {rate_hz:g} Hz do not hold {(1 + roll_off) * symbol_rate_hz:g} Hz")
    number = int(len(samples) * symbol_rate_hz / rate_hz)
    if samples.ndim != 1 or number < LEAST_SYMBOLS + 2 * EDGE_SYMBOLS:
        raise MeasurementError(
            f"the capture holds {number} symbols; {LEAST_SYMBOLS + 2 * EDGE_SYMBOLS} are needed",
            next_step="take a longer capture",
        )
    if not np.all(np.isfinite(samples)) or not np.any(samples):
        raise no_carrier("the capture holds no power")
    seconds = np.arange(len(samples)) / rate_hz
    offset_hz, timing_s = 0.0, 0.0
    received = np.zeros(0, dtype=np.complex128)
    for _ in range(3):
        turned = samples * np.exp(-2j * np.pi * offset_hz * seconds)
        fine = _filtered(turned, rate_hz, symbol_rate_hz, roll_off)
        fine_rate_hz = len(fine) * rate_hz / len(samples)
        timing_s = _timing_s(fine, fine_rate_hz, symbol_rate_hz)
        instants = (timing_s + np.arange(number - 1) / symbol_rate_hz) * fine_rate_hz
        received = _at(fine, instants)[EDGE_SYMBOLS:-EDGE_SYMBOLS]
        more_hz = _fourth_power_hz(received, symbol_rate_hz)
        offset_hz += more_hz
        if abs(more_hz) < 1e-3 * symbol_rate_hz / len(received):
            break
    received = received * np.exp(-2j * np.pi * more_hz / symbol_rate_hz * np.arange(len(received)))
    return _decided(received, ideal, offset_hz, timing_s, symbol_rate_hz)


def _filtered(samples: Complex, rate_hz: float, symbol_rate_hz: float, roll_off: float) -> Complex:
    """Matched filter, and some ``GRID`` samples a symbol out of the same transform."""
    count = len(samples)
    spectrum = np.fft.fft(samples)
    frequency = np.asarray(np.fft.fftfreq(count, 1 / rate_hz), dtype=np.float64)
    response = root_raised_cosine_response(frequency, symbol_rate_hz=symbol_rate_hz, roll_off=roll_off)
    spectrum = spectrum * response
    long = max(count, math.ceil(GRID * count * symbol_rate_hz / rate_hz))
    padded = np.zeros(long, dtype=np.complex128)
    half = count // 2
    padded[: count - half] = spectrum[: count - half]
    padded[long - half :] = spectrum[count - half :]
    return np.asarray(np.fft.ifft(padded) * (long / count), dtype=np.complex128)


def _timing_s(fine: Complex, rate_hz: float, symbol_rate_hz: float) -> float:
    """First symbol instant from the phase of the line of the squared envelope at the symbol rate."""
    turns = np.exp(-2j * np.pi * symbol_rate_hz / rate_hz * np.arange(len(fine)))
    line = complex(np.vdot(np.conj(fine.real**2 + fine.imag**2), turns))
    early = -math.atan2(line.imag, line.real) / (2 * math.pi)
    return (early % 1.0) / symbol_rate_hz


def _at(fine: Complex, instants: NDArray[np.float64]) -> Complex:
    """Cubic interpolation at instants counted in samples."""
    whole = np.clip(np.floor(instants).astype(np.int64), 1, len(fine) - 3)
    part = instants - whole
    before, here, after, beyond = (fine[whole + step] for step in (-1, 0, 1, 2))
    return np.asarray(
        -part * (part - 1) * (part - 2) / 6 * before
        + (part + 1) * (part - 1) * (part - 2) / 2 * here
        - (part + 1) * part * (part - 2) / 2 * after
        + (part + 1) * part * (part - 1) / 6 * beyond,
        dtype=np.complex128,
    )


def _fourth_power_hz(symbols: Complex, symbol_rate_hz: float) -> float:
    """Frequency error in Hz from the line of the fourth power; an error without a line."""
    size = 8 * len(symbols)
    spectrum = np.abs(np.fft.fft(symbols**4, size)) ** 2
    top = int(spectrum.argmax())
    mean = float(spectrum.mean())
    if not mean > 0 or float(spectrum[top]) < LINE_OVER_RMS**2 * mean:
        raise no_carrier("the symbols have no carrier in common, or another symbol rate or modulation")
    left, middle, right = (float(spectrum[(top + step) % size]) for step in (-1, 0, 1))
    bend = left - 2 * middle + right
    place = top + (0.5 * (left - right) / bend if bend else 0.0)
    place -= size if place > size / 2 else 0
    return place / size * symbol_rate_hz / 4


def _decided(
    received: Complex, ideal: Complex, offset_hz: float, timing_s: float, symbol_rate_hz: float
) -> QamQuality:
    """Decide, fit gain, offset and the rest of the frequency, and again until nothing moves."""
    received = received * _quarter_turn(received, ideal)
    index = np.arange(len(received)) - (len(received) - 1) / 2
    steps, origin = 0.0, 0j
    symbols = received
    decided = _nearest(symbols, ideal)
    for _ in range(8):
        turned = received * np.exp(-1j * steps * index)
        design = np.stack([decided, np.ones_like(decided)], axis=1)
        (gain, shift), *_ = np.linalg.lstsq(design, turned, rcond=None)
        symbols, origin = (turned - shift) / gain, complex(shift / gain)
        error = np.imag(symbols * np.conj(decided))
        # The turn that is left, weighted by the power of each symbol.
        more = float(np.sum(error * index) / np.sum(np.abs(decided) ** 2 * index**2))
        again = _nearest(symbols, ideal)
        steps += more
        if abs(more) < 1e-9 and np.array_equal(again, decided):
            break
        decided = again
    return QamQuality(
        vector=error_vector(symbols, decided),
        frequency_error_hz=offset_hz + steps * symbol_rate_hz / (2 * math.pi),
        origin_offset_db=origin_offset_db(origin, decided),
        timing_s=timing_s,
        symbols=symbols,
        decided=decided,
    )


def _quarter_turn(received: Complex, ideal: Complex) -> complex:
    """Scale to unit mean power and turn onto the constellation, up to a quarter turn."""
    fourth = complex(np.mean(received**4)) / complex(np.mean(ideal**4))
    turn = math.atan2(fourth.imag, fourth.real) / 4
    size = math.sqrt(float(np.mean(np.abs(received) ** 2)))
    return complex(math.cos(turn), -math.sin(turn)) / size


def _nearest(symbols: Complex, ideal: Complex) -> Complex:
    """Nearest point of a square constellation, by axis."""
    levels = np.unique(np.round(ideal.real, 12))
    step = levels[1] - levels[0]

    def axis(values: NDArray[np.float64]) -> NDArray[np.float64]:
        place = np.clip(np.rint((values - levels[0]) / step), 0, len(levels) - 1).astype(np.int64)
        return np.asarray(levels[place], dtype=np.float64)

    return np.asarray(axis(symbols.real) + 1j * axis(symbols.imag), dtype=np.complex128)
