"""The error vector of an NR carrier whose symbols are known, as TS 38.104, Annex B says for FR1.

Per slot one estimate of time and of frequency (B.4, B.5). Two places of the transform within the prefix, low
and high (B.5). An equaliser from the reference symbols of all slots: amplitude and phase averaged apart over
time, then over 19 reference subcarriers, fewer at the edges, and interpolated (B.6). No common phase error is
taken off. RMS over all slots and blocks of the capture for each place, then the larger of both (B.7).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.analysis.modulation.grid import REFERENCE_SYMBOLS, KnownGrid
from hilkit.analysis.modulation.numerology import Numerology
from hilkit.analysis.modulation.sync import frame_start, no_carrier, prefix_offset_hz
from hilkit.errors import MeasurementError

__all__ = ["SMOOTHED_OVER", "OfdmQuality", "demodulate_ofdm"]

Complex = NDArray[np.complex64]
Floats = NDArray[np.float64]

SMOOTHED_OVER = 19
"""Reference subcarriers of the moving average of the equaliser (TS 38.104, B.6)."""

LIKENESS = 0.7
"""Least correlation of the equalised symbols with the known ones; below it another signal was captured."""


@dataclass(frozen=True, kw_only=True, eq=False)
class OfdmQuality:
    """What a capture of a known carrier shows.

    ``evm`` (a fraction) by modulation, over all for the ``low`` and ``high`` place of the transform;
    ``evm_subcarrier`` shape (subcarriers,) and ``evm_symbol`` shape (slots, 14) for the place with the larger
    one.
    ``frequency_error_hz`` is that of the carrier in the capture, ``origin_offset_db`` the carrier leakage
    against the whole carrier in dB, ``start`` the first sample of a frame, ``power`` the mean square of the
    samples of the slots used, ``slots`` how many were used.
    """

    evm: dict[str, float]
    low: float
    high: float
    evm_subcarrier: Floats
    evm_symbol: Floats
    frequency_error_hz: float
    origin_offset_db: float
    start: int
    power: float
    slots: int
    symbols: Complex
    """Equalised symbols of the last used slot, shape (14, subcarriers)."""

    @property
    def rms(self) -> float:
        """The error vector over all modulations, the larger of both places."""
        return max(self.low, self.high)


def demodulate_ofdm(
    samples: NDArray[np.complexfloating],
    *,
    rate_hz: float,
    numbers: Numerology,
    grid: KnownGrid,
    least_slots: int = 1,
) -> OfdmQuality:
    """Return what a capture of at least 10 ms shows of the carrier that ``grid`` describes.

    ``samples`` are complex, shape (n,), of any unit, centred on the carrier and sampled at
    ``numbers.rate_hz``. Slots that the ends of the capture cut are left out. The carrier may be off by a
    third of the subcarrier spacing. ``MeasurementError``: too short, or "no carrier found".
    """
    if rate_hz != numbers.rate_hz:
        raise ValueError(f"samples at {rate_hz:g} Hz; this carrier takes {numbers.rate_hz:g} Hz")
    samples = np.asarray(samples).astype(np.complex64, copy=False)
    if samples.ndim != 1 or not np.all(np.isfinite(samples.view(np.float32))):
        raise MeasurementError("the capture holds samples that are no numbers", next_step="capture it again")
    start = frame_start(samples, numbers, grid)
    slots, useful = _whole_slots(len(samples), numbers, start)
    if len(slots) < least_slots:
        raise MeasurementError(
            f"{len(slots)} whole slots lie within the capture and {least_slots} are needed",
            next_step="take a longer capture",
        )
    known = grid.symbols[slots]
    offset_hz = prefix_offset_hz(samples, numbers, useful.ravel())
    offset_hz += _fine_hz(samples, offset_hz, numbers, useful, known)
    low, high = _places(numbers)
    results = [_evaluate(samples, offset_hz, numbers, useful, known, grid, back=back) for back in (low, high)]
    worst = max(results, key=lambda each: each.rms)
    if worst.likeness < LIKENESS:
        raise no_carrier(f"the symbols are like the known ones by {worst.likeness:.2f}, and not {LIKENESS:g}")
    evm = {name: max(each.evm[name] for each in results) for name in worst.evm}
    return OfdmQuality(
        evm=evm,
        low=results[0].rms,
        high=results[1].rms,
        evm_subcarrier=worst.by_subcarrier,
        evm_symbol=worst.by_symbol,
        frequency_error_hz=offset_hz + worst.residual_hz,
        origin_offset_db=worst.origin_offset_db,
        start=start,
        power=worst.power,
        slots=len(slots),
        symbols=worst.symbols,
    )


def _whole_slots(count: int, numbers: Numerology, start: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Slots of the frame that lie wholly in the capture, each once, in the order of time, and their useful
    starts."""
    firsts = numbers.useful_starts[:, 0] - numbers.prefix
    ends = numbers.useful_starts[:, -1] + numbers.transform
    places: list[tuple[int, int]] = []
    for turn in range(-1, count // numbers.frame_samples + 1):
        base = start + turn * numbers.frame_samples
        places += [
            (base, slot)
            for slot in range(numbers.slots)
            if base + firsts[slot] >= 0 and base + ends[slot] <= count
        ]
    places = places[: numbers.slots]
    slots = np.array([slot for _, slot in places], dtype=np.int64)
    bases = np.array([base for base, _ in places], dtype=np.int64)
    return slots, bases[:, None] + numbers.useful_starts[slots]


def _places(numbers: Numerology) -> tuple[int, int]:
    """How many samples before the useful part the transform begins, for the low and the high place (B.5)."""
    middle = numbers.prefix // 2
    alpha = 1 - numbers.window % 2
    low = middle - alpha + numbers.window // 2
    high = middle - numbers.window // 2
    return low, high


def _transformed(
    samples: Complex, offset_hz: float, numbers: Numerology, first: NDArray[np.int64], back: int
) -> Complex:
    """Subcarriers of one slot's symbols, shape (14, subcarriers), turned back by the early transform."""
    half, size = numbers.subcarriers // 2, numbers.transform
    place = first[:, None] - back + np.arange(size)
    turns = np.arange(int(place[-1, -1]) + 1 - int(place[0, 0]))
    begin = int(place[0, 0])
    # The phase of a long capture needs double precision; the turn within a slot is made from it.
    phase = (-2 * np.pi * offset_hz / numbers.rate_hz) * (turns + float(begin))
    stretch = samples[begin : begin + len(turns)] * np.exp(1j * phase).astype(np.complex64)
    bins = np.fft.fft(stretch[place - begin], axis=1, norm="forward")
    index = np.arange(-half, half)
    turned = np.exp((2j * np.pi * back / size) * index).astype(np.complex64)
    return np.asarray(np.concatenate([bins[:, -half:], bins[:, :half]], axis=1) * turned, dtype=np.complex64)


def _centre_s(numbers: Numerology, first: NDArray[np.int64]) -> Floats:
    """Middle of the useful part of each symbol in s, from the first sample of the capture."""
    return np.asarray((first + numbers.transform / 2) / numbers.rate_hz, dtype=np.float64)


def _fine_hz(
    samples: Complex,
    offset_hz: float,
    numbers: Numerology,
    useful: NDArray[np.int64],
    known: Complex,
) -> float:
    """What the prefix left of the frequency error: the turn between both reference symbols."""
    early, late = REFERENCE_SYMBOLS
    turn = 0j
    for first, ideal in zip(useful, known, strict=True):
        pair = first[list(REFERENCE_SYMBOLS)]
        bins = _transformed(samples, offset_hz, numbers, pair, numbers.prefix // 2)
        response = bins[:, 0::2] * np.conj(ideal[list(REFERENCE_SYMBOLS)][:, 0::2])
        turn += complex(np.vdot(response[0], response[1]))
    apart = (useful[0, late] - useful[0, early]) / numbers.rate_hz
    return math.atan2(turn.imag, turn.real) / (2 * math.pi * float(apart))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Evaluated:
    evm: dict[str, float]
    rms: float
    by_subcarrier: Floats
    by_symbol: Floats
    residual_hz: float
    origin_offset_db: float
    likeness: float
    power: float
    symbols: Complex


def _evaluate(
    samples: Complex,
    offset_hz: float,
    numbers: Numerology,
    useful: NDArray[np.int64],
    known: Complex,
    grid: KnownGrid,
    *,
    back: int,
) -> _Evaluated:
    slots = np.empty(known.shape, dtype=np.complex64)
    residual = np.empty(len(useful))
    for at, first in enumerate(useful):
        slots[at] = _transformed(samples, offset_hz, numbers, first, back)
        residual[at] = _straighten(slots[at], known[at], numbers, first)
    amplitude, phase = _equaliser(slots, known)
    response = (amplitude * np.exp(1j * phase)).astype(np.complex64)
    leak = _leak(slots, known, response)
    power = float(np.mean(np.sum(np.abs(slots) ** 2, axis=2, dtype=np.float64)))
    slots /= response
    error = np.abs(slots - known) ** 2
    ideal = np.abs(known) ** 2
    data = ~grid.reference
    evm = {}
    names = np.array(grid.modulations)
    for name in dict.fromkeys(grid.modulations):
        mine = data & (names == name)[None, :]
        evm[name] = _root(error[:, mine], ideal[:, mine])
    product = abs(complex(np.vdot(known, slots)))
    size = math.sqrt(float(ideal.sum(dtype=np.float64)) * float(np.sum(np.abs(slots) ** 2, dtype=np.float64)))
    return _Evaluated(
        evm=evm,
        rms=_root(error[:, data], ideal[:, data]),
        by_subcarrier=np.sqrt(_share((error * data).sum((0, 1)), (ideal * data).sum((0, 1)))),
        by_symbol=np.sqrt(_share((error * data).sum(2), (ideal * data).sum(2))),
        residual_hz=float(residual.mean()),
        origin_offset_db=10 * math.log10(max(abs(leak) ** 2 / power, 1e-20)),
        likeness=product / size if size > 0 else 0.0,
        power=power,
        symbols=slots[-1],
    )


def _root(error: NDArray[np.float32], ideal: NDArray[np.float32]) -> float:
    return math.sqrt(float(error.sum(dtype=np.float64)) / float(ideal.sum(dtype=np.float64)))


def _share(error: NDArray[np.float32], ideal: NDArray[np.float32]) -> Floats:
    return np.asarray(error / np.maximum(ideal, 1e-20), dtype=np.float64)


def _straighten(bins: Complex, known: Complex, numbers: Numerology, first: NDArray[np.int64]) -> float:
    """Take one estimate of time and one of frequency off a slot, in place; returns the frequency in Hz.

    Time from the slope of the phase over the reference subcarriers, the outermost block on each side left
    out (B.5); frequency from the turn between both reference symbols, about the middle of the slot.
    """
    rows = list(REFERENCE_SYMBOLS)
    response = bins[rows][:, 0::2] * np.conj(known[rows][:, 0::2])
    slope = _slope(response[:, 6:-6].sum(axis=0)) / 2
    turn = complex(np.vdot(response[0], response[1]))
    seconds = _centre_s(numbers, first)
    hz = math.atan2(turn.imag, turn.real) / (2 * math.pi * (seconds[rows[1]] - seconds[rows[0]]))
    half = numbers.subcarriers // 2
    bins *= np.exp(-1j * slope * np.arange(-half, half)).astype(np.complex64)
    bins *= np.exp(-2j * np.pi * hz * (seconds - seconds.mean())).astype(np.complex64)[:, None]
    return float(hz)


def _slope(response: Complex) -> float:
    """Slope of the phase in radians a value: from neighbours first, then a line through what that leaves."""
    coarse = float(np.angle(np.vdot(response[:-1], response[1:])))
    place = np.arange(len(response)) - (len(response) - 1) / 2
    left = response * np.exp(-1j * coarse * place)
    phase = np.angle(left * np.conj(left.sum()))
    return coarse + float(np.sum(phase * place) / np.sum(place**2))


def _equaliser(slots: Complex, known: Complex) -> tuple[Floats, Floats]:
    """Amplitude and phase of each subcarrier, shape (subcarriers,), from the reference symbols (B.6)."""
    rows = list(REFERENCE_SYMBOLS)
    ratio = slots[:, rows, 0::2] * np.conj(known[:, rows, 0::2])
    ratio = ratio.reshape(-1, ratio.shape[-1]).astype(np.complex128)
    amplitude = np.abs(ratio).mean(axis=0)
    phase = np.unwrap(np.unwrap(np.angle(ratio), axis=0).mean(axis=0))
    at = np.arange(0, 2 * len(amplitude), 2)
    every = np.arange(2 * len(amplitude))
    return (
        np.interp(every, at, _smoothed(amplitude)),
        np.interp(every, at, _smoothed(phase)),
    )


def _smoothed(values: Floats) -> Floats:
    """Moving average over 19 values, over fewer towards the edges: 1, 3, 5, ... (B.6)."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    place = np.arange(len(values))
    reach = np.minimum(np.minimum(place, len(values) - 1 - place), SMOOTHED_OVER // 2)
    return np.asarray((sums[place + reach + 1] - sums[place - reach]) / (2 * reach + 1), dtype=np.float64)


def _leak(slots: Complex, known: Complex, response: Complex) -> complex:
    """The constant part at the carrier: what stays on the middle subcarrier besides its known symbols."""
    middle = known.shape[2] // 2
    extra = slots[:, :, middle] - response[middle] * known[:, :, middle]
    return complex(extra.mean())
