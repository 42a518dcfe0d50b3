"""Numbers of an NR carrier below 7.125 GHz: subcarriers, transform, prefix, window of the error vector.

Resource blocks: TS 38.104, Table 5.3.2-1. Transform and window: TS 38.104, Tables B.5.2-1 to B.5.2-3. Lengths
of the cyclic prefix: TS 38.211, 5.3.1 (144 of 2048 samples, 16 of 2048 at 15 kHz more at each half ms).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

__all__ = ["SYMBOLS", "Numerology", "numerology"]

SYMBOLS = 14
FRAME_S = 0.01
SUBCARRIERS_PER_BLOCK = 12

_WIDTHS_MHZ = (5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100)
_BLOCKS = {
    15: (25, 52, 79, 106, 133, 160, 188, 216, 242, 270),
    30: (11, 24, 38, 51, 65, 78, 92, 106, 119, 133, 162, 189, 217, 245, 273),
    60: (None, 11, 18, 24, 31, 38, 44, 51, 58, 65, 79, 93, 107, 121, 135),
}
_TRANSFORM_15 = (512, 1024, 1536, 2048, 2048, 3072, 3072, 4096, 4096, 4096, 6144, 6144, 8192, 8192, 8192)
_WINDOW = {
    15: (14, 28, 44, 58, 72, 108, 108, 144, 144, 144),
    30: (8, 14, 22, 28, 36, 54, 54, 72, 72, 72, 130, 130, 172, 172, 172),
    60: (None, 8, 11, 14, 18, 26, 26, 36, 36, 36, 64, 64, 86, 86, 86),
}


@dataclass(frozen=True, kw_only=True)
class Numerology:
    """One carrier with normal cyclic prefix, sampled at ``transform`` x ``spacing_hz``."""

    bandwidth_hz: float
    spacing_hz: float
    blocks: int
    transform: int
    window: int

    @property
    def rate_hz(self) -> float:
        """Sample rate."""
        return self.transform * self.spacing_hz

    @property
    def subcarriers(self) -> int:
        """Subcarriers of the carrier; the one at the centre frequency has the index ``subcarriers // 2``."""
        return SUBCARRIERS_PER_BLOCK * self.blocks

    @property
    def occupied_hz(self) -> float:
        """Transmission bandwidth."""
        return self.subcarriers * self.spacing_hz

    @property
    def slots(self) -> int:
        """Slots of a frame of 10 ms."""
        return round(10 * self.spacing_hz / 15e3)

    @property
    def frame_samples(self) -> int:
        """Samples of a frame."""
        return round(FRAME_S * self.rate_hz)

    @property
    def prefix(self) -> int:
        """Samples of the cyclic prefix, but for the longer one at each half ms."""
        return 144 * self.transform // 2048

    @cached_property
    def useful_starts(self) -> NDArray[np.int64]:
        """First sample after the prefix of each symbol, counted from the frame; shape (slots, 14)."""
        count = self.slots * SYMBOLS
        each_half_ms = 7 * round(self.spacing_hz / 15e3)
        extra = round(16 * self.transform / 2048 * self.spacing_hz / 15e3)
        prefixes = np.full(count, self.prefix, dtype=np.int64)
        prefixes[::each_half_ms] += extra
        ends = np.cumsum(prefixes + self.transform)
        return np.asarray((ends - self.transform).reshape(self.slots, SYMBOLS), dtype=np.int64)


def numerology(bandwidth_hz: float, spacing_hz: float, *, rate_hz: float | None = None) -> Numerology:
    """Return the numbers of a carrier; ``rate_hz`` None takes the transform of the tables.

    With another rate the window is scaled. ``ValueError`` for a width, a spacing or a rate that do not go
    together, with those that do.
    """
    spacing, width = spacing_hz / 1e3, bandwidth_hz / 1e6
    if spacing not in _BLOCKS:
        raise ValueError(f"a subcarrier spacing of {spacing:g} kHz is not one of 15, 30 and 60 kHz")
    blocks, windows = _BLOCKS[int(spacing)], _WINDOW[int(spacing)]
    known = [each for each, number in zip(_WIDTHS_MHZ, blocks, strict=False) if number is not None]
    if width not in known:
        names = ", ".join(map(str, known))
        raise ValueError(f"{width:g} MHz is no width of a carrier with {spacing:g} kHz: {names} MHz are")
    place = _WIDTHS_MHZ.index(int(width))
    standard = _TRANSFORM_15[place] * 15 // int(spacing)
    transform = standard if rate_hz is None else round(rate_hz / spacing_hz)
    number, window = blocks[place], windows[place]
    assert number is not None and window is not None
    if rate_hz is not None and (transform * spacing_hz != rate_hz or transform * 9 % 128):
        raise ValueError(
            f"{rate_hz / 1e6:g} MHz is no sample rate for a spacing of {spacing:g} kHz; "
            f"take {standard * spacing_hz / 1e6:g} MHz"
        )
    if transform < SUBCARRIERS_PER_BLOCK * number:
        raise ValueError(f"{transform} points do not hold {number} resource blocks")
    return Numerology(
        bandwidth_hz=bandwidth_hz,
        spacing_hz=spacing_hz,
        blocks=number,
        transform=transform,
        window=round(window * transform / standard),
    )
