"""Random numbers drawn by key: the same seed and key give the same numbers, whatever was drawn before."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Hashable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["fixed_error", "generator", "table_errors", "white"]

Floats = NDArray[np.float64]


def generator(seed: int, *key: Hashable) -> np.random.Generator:
    """Return a generator whose counter-based stream belongs to ``seed`` and ``key`` alone.

    The key is known by its ``repr``: use texts, numbers, truth values and tuples of them.
    """
    digest = hashlib.blake2b(repr((seed, key)).encode("utf-8"), digest_size=16).digest()
    return np.random.Generator(np.random.Philox(key=np.frombuffer(digest, dtype=np.uint64)))


def table_errors(seed: int, *key: Hashable, count: int, sd: float, bound: float = math.inf) -> Floats:
    """Return ``count`` fixed errors of standard deviation ``sd``, none larger than ``bound`` in magnitude."""
    drawn = generator(seed, *key).standard_normal(count) * sd
    return np.clip(drawn, -bound, bound)


@lru_cache(maxsize=1024)
def fixed_error(seed: int, *key: Hashable, sd: float, even: bool = False) -> float:
    """Return the one error that belongs to ``seed`` and ``key``, of standard deviation ``sd``.

    It is normal and at most 2.5 ``sd``, or with ``even`` equally likely anywhere between its limits.
    """
    if even:
        return math.sqrt(3) * sd * float(generator(seed, *key).uniform(-1, 1))
    return float(table_errors(seed, *key, count=1, sd=sd, bound=2.5 * sd)[0])


def white(rng: np.random.Generator, points: int) -> NDArray[np.complex128]:
    """Return complex Gaussian samples of unit power."""
    return rng.standard_normal(2 * points).view(np.complex128) * math.sqrt(0.5)
