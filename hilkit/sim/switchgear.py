"""The simulated step attenuators and relay switches: what they do to the signal, not how they speak."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.clock import Clock
from hilkit.sim.noise import table_errors
from hilkit.sim.profile import PadProfile, RelayProfile

__all__ = ["CodeRefused", "HotMove", "SimPad", "SimRelay"]

Floats = NDArray[np.float64]


class CodeRefused(ValueError):
    """A setting that the simulated instrument does not have (SCPI -222 to whoever speaks to it)."""


@dataclass(frozen=True, kw_only=True)
class HotMove:
    """What moved while RF was on, a contact or a carrier: time in s, level at the radio port in dBm."""

    what: str
    time_s: float
    level_dbm: float


class _Moving:
    """Contacts that need time to settle and remember being moved hot."""

    def __init__(self, name: str, clock: Clock, settle_s: float, hot_level: Callable[[], float]) -> None:
        self.name = name
        self._clock = clock
        self._settle_s = settle_s
        self._hot_level = hot_level
        self.settled_at_s = -1.0
        self.hot_moves: list[HotMove] = []

    def _moved(self) -> None:
        now = self._clock.now()
        self.settled_at_s = now + self._settle_s
        if (level := self._hot_level()) > -60:
            self.hot_moves.append(HotMove(what=self.name, time_s=now, level_dbm=level))


class SimPad(_Moving):
    """A programmable step attenuator with an error of its own at each code."""

    def __init__(
        self, name: str, profile: PadProfile, seed: int, clock: Clock, hot_level: Callable[[], float]
    ) -> None:
        super().__init__(name, clock, profile.settle_time.s, hot_level)
        self.profile = profile
        self.min_db, self.max_db, self.step_db = profile.low.db, profile.high.db, profile.step.db
        count = round((self.max_db - self.min_db) / self.step_db) + 1
        self._errors = table_errors(seed, name, "code", count=count, sd=profile.error_sd.db)
        self._errors[0] = 0.0
        for code, error in profile.errors.items():
            self._errors[self._index(code.db)] = error.db
        self._slopes = table_errors(seed, name, "slope", count=count, sd=profile.error_slope_sd_per_ghz.db)
        self._slopes[0] = 0.0
        self._code = count - 1

    def set(self, db: float) -> None:
        """Move to a code in dB; ``CodeRefused`` where there is none."""
        index = self._index(db)
        if index != self._code:
            self._code = index
            self._moved()

    def read(self) -> float:
        """Return the code in dB: what the instrument reports, not what it does."""
        return self.min_db + self._code * self.step_db

    def true_db(self, db: float, frequency_hz: float = 2e9) -> float:
        """Return what a code truly takes away at a frequency, beyond what remains at the lowest code."""
        return float(self._loss(self._index(db), np.array([frequency_hz]))[0])

    def loss_db(self, frequency_hz: Floats) -> Floats:
        """Return what the present code truly takes away over frequency, beyond what remains at the lowest
        code.
        """
        return self._loss(self._code, frequency_hz)

    def _loss(self, index: int, frequency_hz: Floats) -> Floats:
        slope = self._slopes[index] * (frequency_hz - 2e9) / 1e9
        return np.asarray(index * self.step_db + self._errors[index] + slope, dtype=np.float64)

    def _index(self, db: float) -> int:
        index = round((db - self.min_db) / self.step_db)
        wanted = self.min_db + index * self.step_db
        if not self.min_db <= wanted <= self.max_db or abs(wanted - db) > 1e-6:
            raise CodeRefused(f"{db:g} dB is not between {self.min_db:g} and {self.max_db:g} dB")
        return index


class SimRelay(_Moving):
    """A relay switch; open ports see a termination, so that moving it does not disturb the radio."""

    def __init__(
        self, name: str, profile: RelayProfile, clock: Clock, hot_level: Callable[[], float]
    ) -> None:
        super().__init__(name, clock, profile.settle_time.s, hot_level)
        self.profile = profile
        self._closed: frozenset[int] = frozenset()
        self.stuck: set[int] = set()

    @property
    def closed(self) -> frozenset[int]:
        """The channels that are truly closed."""
        return self._closed

    @property
    def channels(self) -> tuple[int, ...]:
        """The channels that exist."""
        return self.profile.channels

    def close(self, channels: Iterable[int]) -> None:
        """Close channels; those in ``stuck`` do not move. ``CodeRefused`` for one that does not exist."""
        self._set(self._closed | self._known(channels))

    def open(self, channels: Iterable[int] | None = None) -> None:
        """Open channels, all of them by default."""
        self._set(self._closed - (self._known(self.channels if channels is None else channels)))

    def _known(self, channels: Iterable[int]) -> frozenset[int]:
        wanted = frozenset(channels)
        for channel in wanted - set(self.channels):
            raise CodeRefused(
                f"channel {channel} does not exist; there are {', '.join(map(str, self.channels))}"
            )
        return wanted

    def _set(self, wanted: frozenset[int]) -> None:
        moved = frozenset(channel for channel in wanted ^ self._closed if channel not in self.stuck)
        if moved:
            self._closed = self._closed ^ moved
            self._moved()
