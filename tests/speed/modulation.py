"""A 10 ms capture of a 100 MHz carrier to its error vector, and the plain transforms of numpy beside it."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator

import numpy as np

from hilkit.analysis.modulation import demodulate_ofdm, known_grid, numerology
from tests.analysis.modulation.waves import ofdm
from tests.speed.figures import Figure, timed_ms

NAME = "modulation: 1.23 M samples to EVM"


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield time and memory of a demodulation, and the time of numpy's transforms of the same symbols."""
    numbers = numerology(100e6, 30e3)
    grid = known_grid(numbers, "256qam")
    samples = np.roll(ofdm(numbers, grid), 54321).astype(np.complex64)
    rows = samples[: 280 * numbers.transform].reshape(280, numbers.transform)

    def demodulate(_: int) -> None:
        demodulate_ofdm(samples, rate_hz=numbers.rate_hz, numbers=numbers, grid=grid)

    count = 1 if quick else 5
    plain, _ = timed_ms(lambda _: [np.fft.fft(rows, axis=1) for _ in range(2)], count)
    taken, least = timed_ms(demodulate, count)
    yield Figure(name=NAME, value=taken, unit="ms", target="under 2000", note=f"shortest {least:.0f}")
    yield Figure(name="numpy: its 560 transforms alone", value=plain, unit="ms")
    tracemalloc.start()
    demodulate(0)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    yield Figure(name=f"{NAME}, memory", value=peak / 1e6, unit="MB", target="under 500")
