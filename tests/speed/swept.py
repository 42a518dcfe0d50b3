"""Channel power, adjacent channels and occupied bandwidth of a million points, beside plain numpy."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from hilkit.analysis import band_power, channel_beside, neighbours, occupied_bandwidth
from hilkit.readings import Trace
from tests.speed.figures import Figure, timed_ms

TARGET = "under 20 ms"
POINTS = 1_000_000
CENTRE_HZ, SPAN_HZ, WIDTH_HZ = 1.85e9, 102e6, 19.08e6


def figures(*, quick: bool = False) -> Iterator[Figure]:
    """Yield the time of each measure, and that of plain numpy, which has no scatter and no checks."""
    trace = _trace()
    beside = neighbours("nr", bandwidth_hz=20e6, configuration_hz=WIDTH_HZ)
    ends = CENTRE_HZ - WIDTH_HZ / 2, CENTRE_HZ + WIDTH_HZ / 2
    centres = [(each, CENTRE_HZ + side * each.offset_hz) for each in beside for side in (-1, 1)]

    def power() -> None:
        band_power(trace, low_hz=ends[0], high_hz=ends[1])

    def leakage() -> None:
        power()
        for each, centre_hz in centres:
            channel_beside(trace, centre_hz=centre_hz, neighbour=each)

    def plainly(*bands: tuple[float, float]) -> None:
        watts = 10 ** (trace.level_dbm / 10)
        for low_hz, high_hz in bands:
            watts[(trace.frequency_hz >= low_hz) & (trace.frequency_hz <= high_hz)].sum()

    def occupied_plainly() -> None:
        sums = np.cumsum(10 ** (trace.level_dbm / 10))
        np.interp([0.005 * sums[-1], 0.995 * sums[-1]], sums, trace.frequency_hz)

    half = WIDTH_HZ / 2
    five = [ends, *((centre - half, centre + half) for _, centre in centres)]
    count = 3 if quick else 30
    yield from _both("channel power", power, lambda: plainly(ends), count)
    yield from _both("carrier and four adjacent channels", leakage, lambda: plainly(*five), count)
    yield from _both("occupied bandwidth", lambda: _occupied(trace), occupied_plainly, count)


def _occupied(trace: Trace) -> None:
    occupied_bandwidth(trace)


def _both(name: str, ours: Callable[[], None], plain: Callable[[], None], count: int) -> Iterator[Figure]:
    for text, call, target in ((name, ours, TARGET), (f"{name}, plain numpy", plain, "")):
        taken, least = timed_ms(lambda _, call=call: call(), count)  # type: ignore[misc]
        yield Figure(name=text, value=taken, unit="ms", target=target, note=f"shortest {least:.3f}")


def _trace() -> Trace:
    offset = np.linspace(-SPAN_HZ / 2, SPAN_HZ / 2, POINTS)
    level = np.where(np.abs(offset) < WIDTH_HZ / 2, -60.0, -120.0)
    level += np.random.default_rng(1).normal(0.0, 0.3, POINTS)
    return Trace(
        frequency_hz=CENTRE_HZ + offset,
        level_dbm=level,
        rbw_hz=1e3,
        noise_bandwidth_hz=1064.5,
        detector="rms",
        average_type="power",
        averages=1,
        sweep_time_s=1e5,
        attenuation_db=0.0,
        reference_level_dbm=0.0,
    )
