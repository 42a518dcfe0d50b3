"""How a figure is taken and shown."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

__all__ = ["Figure", "median", "pairs", "timed_ms"]


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One line of the report; ``target`` is empty where none was set."""

    name: str
    value: float
    unit: str
    target: str = ""
    note: str = ""

    def __str__(self) -> str:
        target = f"  (target {self.target})" if self.target else ""
        note = f"  {self.note}" if self.note else ""
        return f"  {self.name:<58} {self.value:>9.3f} {self.unit}{target}{note}"


def median(values: Sequence[float]) -> float:
    return statistics.median(values)


def pairs(first: Callable[[], float], second: Callable[[], float], count: int) -> list[tuple[float, float]]:
    """Take both times side by side ``count`` times, each as often first as second."""
    taken = []
    for number in range(count):
        if number % 2:
            b, a = second(), first()
        else:
            a, b = first(), second()
        taken.append((a, b))
    return taken


def timed_ms(work: Callable[[int], object], count: int) -> tuple[float, float]:
    """Return the median and the shortest time in ms of ``work(number)``, called ``count`` times."""
    taken = []
    for number in range(count):
        start = time.perf_counter()
        work(number)
        taken.append((time.perf_counter() - start) * 1e3)
    return median(taken), min(taken)
