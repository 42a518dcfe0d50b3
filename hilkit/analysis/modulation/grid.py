"""The symbols that a carrier like a test model is known to carry.

Like TS 38.141-1, 4.9.2.2, with simpler content: all resource blocks carry the shared channel, no control
channel. Reference symbols on every second subcarrier of symbols 2 and 11 (TS 38.211, 7.4.1.1, type 1, one
additional position), data on all others. The data are the scrambling sequence itself (TS 38.211, 5.2.1 and
7.3.1.1: payload of zeros, n_RNTI counting slots from 1), mapped as TS 38.211, 5.1 says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.analysis.modulation.numerology import SYMBOLS, Numerology

__all__ = ["BITS", "REFERENCE_SYMBOLS", "KnownGrid", "constellation", "known_grid", "scrambling"]

Complex = NDArray[np.complex64]

BITS = {"qpsk": 2, "16qam": 4, "64qam": 6, "256qam": 8}
"""Bits of a symbol of each modulation."""

REFERENCE_SYMBOLS = (2, 11)
GOLD_SKIP = 1600


@dataclass(frozen=True, kw_only=True, eq=False)
class KnownGrid:
    """Symbols by slot, symbol and subcarrier, of unit mean power; 0 where nothing is sent.

    ``modulations`` names the modulation of each subcarrier, ``reference`` holds True where a reference symbol
    lies, shape (14, subcarriers).
    """

    symbols: Complex
    modulations: tuple[str, ...]
    reference: NDArray[np.bool_]


def scrambling(start: int, length: int) -> NDArray[np.uint8]:
    """Return ``length`` bits of the Gold sequence of TS 38.211, 5.2.1 for the initial value ``start``.

    Squaring a polynomial over GF(2) squares its terms: x(n + 31 m) = x(n + 3 m) + x(n) for m = 1, 2, 4, ...,
    so that ever longer stretches come at once.
    """
    total = GOLD_SKIP + length
    first = _register(1, total, (3, 0))
    second = _register(start, total, (3, 2, 1, 0))
    return np.asarray(first[GOLD_SKIP:] ^ second[GOLD_SKIP:], dtype=np.uint8)


def _register(start: int, length: int, taps: tuple[int, ...]) -> NDArray[np.uint8]:
    bits = np.zeros(max(length, 31), dtype=np.uint8)
    bits[:31] = (start >> np.arange(31)) & 1
    done, power = 31, 1
    while done < length:
        while 62 * power <= done:
            power *= 2
        stretch = min(28 * power, length - done)
        base = done - 31 * power
        for tap in taps:
            bits[done : done + stretch] ^= bits[base + tap * power : base + tap * power + stretch]
        done += stretch
    return bits[:length]


def _levels(bits: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Amplitudes of one axis from its bits, shape (symbols, bits of the axis), before scaling."""
    sign = 1 - 2 * bits.astype(np.float32)
    value = sign[:, -1]
    for place in range(bits.shape[1] - 2, -1, -1):
        value = sign[:, place] * (2 ** (bits.shape[1] - 1 - place) - value)
    return np.asarray(value if bits.shape[1] > 1 else sign[:, 0], dtype=np.float32)


def map_bits(bits: NDArray[np.uint8], modulation: str) -> Complex:
    """Return the symbols of unit mean power that bits make, as TS 38.211, 5.1.3 to 5.1.6 say."""
    each = BITS[modulation]
    parts = bits.reshape(-1, each)
    scale = np.float32(np.sqrt(2 * (2**each - 1) / 3))
    symbols = np.empty(len(parts), dtype=np.complex64)
    symbols.real = _levels(parts[:, 0::2]) / scale
    symbols.imag = _levels(parts[:, 1::2]) / scale
    return symbols


def constellation(modulation: str) -> Complex:
    """Return all symbols of ``qpsk``, ``16qam``, ``64qam`` or ``256qam``, of unit mean power."""
    if modulation not in BITS:
        raise ValueError(f"{modulation!r} is no modulation; {', '.join(BITS)} are")
    each = BITS[modulation]
    words = np.arange(2**each)
    return map_bits(np.asarray((words[:, None] >> np.arange(each)[::-1]) & 1, dtype=np.uint8), modulation)


def known_grid(numbers: Numerology, modulation: str | Sequence[str], *, identity: int = 0) -> KnownGrid:
    """Return the symbols of a frame for one modulation, or for one of each resource block.

    ``identity`` (0 to 1007) enters the initial values. ``ValueError`` for another modulation or number of
    blocks.
    """
    blocks = [modulation] * numbers.blocks if isinstance(modulation, str) else list(modulation)
    if len(blocks) != numbers.blocks:
        raise ValueError(f"{len(blocks)} modulations are given for {numbers.blocks} resource blocks")
    if unknown := set(blocks) - set(BITS):
        raise ValueError(f"{sorted(unknown)[0]!r} is no modulation; {', '.join(BITS)} are")
    if not 0 <= identity <= 1007:
        raise ValueError(f"an identity of {identity} is none; 0 to 1007 are")
    names = tuple(name for name in blocks for _ in range(12))
    reference = np.zeros((SYMBOLS, numbers.subcarriers), dtype=bool)
    reference[list(REFERENCE_SYMBOLS), 0::2] = True
    symbols = np.empty((numbers.slots, SYMBOLS, numbers.subcarriers), dtype=np.complex64)
    width = np.array([BITS[name] for name in names])
    for slot in range(numbers.slots):
        symbols[slot] = _data(names, width, reference, start=((slot + 1) << 15) + identity)
        for symbol in REFERENCE_SYMBOLS:
            first = ((SYMBOLS * slot + symbol + 1) * (2 * identity + 1) << 17) + 2 * identity
            bits = scrambling(first % 2**31, numbers.subcarriers)
            symbols[slot, symbol, 0::2] = map_bits(bits, "qpsk")
    return KnownGrid(symbols=symbols, modulations=names, reference=reference)


def _data(
    names: tuple[str, ...], width: NDArray[np.int64], reference: NDArray[np.bool_], *, start: int
) -> Complex:
    """One slot's data, symbol by symbol and each from the lowest subcarrier up."""
    wide = np.where(reference, 0, width[None, :])
    bits = scrambling(start, int(wide.sum()))
    if len(set(names)) == 1:
        slot = np.zeros(reference.shape, dtype=np.complex64)
        slot[~reference] = map_bits(bits, names[0])
        return slot
    firsts = (np.cumsum(wide.ravel()) - wide.ravel()).reshape(wide.shape)
    slot = np.zeros(reference.shape, dtype=np.complex64)
    for name in set(names):
        mine = ~reference & (np.array(names) == name)[None, :]
        slot[mine] = map_bits(bits[firsts[mine][:, None] + np.arange(BITS[name])].ravel(), name)
    return slot
