"""The least uncertainty that a reading can have, from bench file and settings alone, before anything is read.

It is the budget that the reading gets, but for what only the measurement tells: noise, what is left of the
analyser's own products, where on its scale a level lies. A zone that this budget's guard band fills already
can be met by no value.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hilkit.analysis import line_frequency_hz
from hilkit.procedures.budgets import (
    LevelBudgets,
    frequency_budget,
    ratio_budget,
    time_budget,
)
from hilkit.readings import Budget, Trace

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import RfState

__all__ = ["Least", "least_time", "of_tone"]

_POINTS = 51


class Least:
    """Least budgets of levels, ratios and frequencies around the carrier of an RF state."""

    def __init__(self, bench: Bench, state: RfState, *, near_hz: float | None = None) -> None:
        self._bench, self._pad_db = bench, state.pad_db
        self._budgets = LevelBudgets(bench, state.channel, near_hz=near_hz or state.carrier_hz)
        self._trace = _quiet_sweep(state.carrier_hz)

    def level(self, frequency_hz: float) -> Budget:
        """Return the budget of a level in dBm, at the reference level: there the scale errs least."""
        return self._at(frequency_hz, 0.0)

    def density(self, frequency_hz: float) -> Budget:
        """Return the budget of a power in a band, or of its density."""
        level = self.level(frequency_hz)
        return self._budgets.of("dBm", (*level.lines, self._budgets.noise_bandwidth()))

    def ratio(self, frequency_hz: float, tone_hz: float, ratio_db: float, unit: str = "dBc") -> Budget:
        """Return the budget of a level against that of the tone, ``ratio_db`` away from it."""
        return ratio_budget(self._at(frequency_hz, ratio_db), self._at(tone_hz, 0.0), unit)

    def step(self, ratio_db: float) -> Budget:
        """Return the budget of a change of level between two readings in one setting of everything."""
        one, other = (self._budgets.scale(self._trace, level) for level in (ratio_db, 0.0))
        return ratio_budget(Budget(unit="dBm", lines=one), Budget(unit="dBm", lines=other), "dB")

    def change(self, frequency_hz: float, other: Least, other_hz: float) -> Budget:
        """Return the budget of a level here less one at another carrier."""
        return ratio_budget(self.level(frequency_hz), other.level(other_hz), "dB")

    def frequency(self, frequency_hz: float) -> Budget:
        """Return the budget of a frequency."""
        trace = _quiet_sweep(frequency_hz)
        return frequency_budget(self._bench, trace, frequency_hz=frequency_hz, sd_hz=0.0)

    def _at(self, frequency_hz: float, level_dbm: float) -> Budget:
        common = self._budgets.common(self._trace, frequency_hz=frequency_hz, pad_db=self._pad_db)
        return self._budgets.of("dBm", (*common, *self._budgets.scale(self._trace, level_dbm)))


def least_time(poll_s: float) -> Budget:
    """Return the budget of a time that is known to one look."""
    return time_budget(poll_s, "time between two looks")


def _quiet_sweep(centre_hz: float) -> Trace:
    """Return a sweep without noise at a reference level of 0 dBm: what it was set to cancels or is common."""
    return Trace(
        frequency_hz=np.linspace(centre_hz - 1e3, centre_hz + 1e3, _POINTS),
        level_dbm=np.zeros(_POINTS),
        rbw_hz=1e3,
        noise_bandwidth_hz=1e3,
        detector="rms",
        average_type="power",
        averages=1,
        sweep_time_s=1.0,
        attenuation_db=0.0,
        reference_level_dbm=0.0,
    )


_MULTIPLES = {
    "image": -1,
    "image_settling": -1,
    "lo_leakage": 0,
    "lo_leakage_settling": 0,
    "second_harmonic": 2,
    "third_harmonic": -3,
    "plus_three": 3,
}


def of_tone(least: Least, name: str, nearest: float, *, carrier_hz: float, offset_hz: float) -> Budget | None:
    """Return the least budget of a reading of a tone and its lines, ``None`` for one that is none of them."""
    tone_hz = carrier_hz + offset_hz
    if name in _MULTIPLES:
        line_hz = line_frequency_hz(carrier_hz, offset_hz, _MULTIPLES[name])
        return least.ratio(line_hz, tone_hz, nearest)
    if name == "spurious_free_range":  # wherever that line stands, so that nothing of the path is left
        return least.ratio(tone_hz, tone_hz, -nearest, "dB")
    if name == "tone_level":
        return least.level(tone_hz)
    return least.frequency(tone_hz) if name in ("tone_frequency_error", "carrier_error") else None
