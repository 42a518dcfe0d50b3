"""Reading the shoulders of a stream: one pair of sweeps for each input attenuation, and which to believe."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilkit.analysis import BandPower, Neighbour, band_power, channel_beside, density_dbm_hz
from hilkit.procedures.budgets import ratio_budget
from hilkit.procedures.evidence import floor_check
from hilkit.procedures.evidence.attenuation import Setting, accepted
from hilkit.procedures.evidence.shoulders import Chosen, best_setting, own_shoulder_db
from hilkit.procedures.stream_budgets import with_left_over
from hilkit.procedures.streams import Pair, Stream, expected_mean_dbm
from hilkit.procedures.sweeps import InputRange, wide_sweep
from hilkit.readings import Bound, Budget, Evidence, Measured, Trace

if TYPE_CHECKING:
    from hilkit.instruments import SweepSetup

__all__ = ["SIDES", "CarrierRead", "Leak", "Shoulders", "first_attenuation_db"]

SIDES = {"lower": (-1, 0), "upper": (1, 0), "lower_second": (-1, 1), "upper_second": (1, 1)}
"""Name of each adjacent channel: on which side it is, and whether the first or the second."""

MIXER_LEVEL_DBM = -18.0
"""Mean level at the mixer at which the search begins. For an intercept of +15 dBm and a floor of -150 dBm/Hz
the floor of 20 MHz then lies 59 dB under the carrier, and own shoulders 71 dB, so that they neither add nor
hide much of what stands in that floor (common practice, no source)."""

LEAST_OVER_FLOOR_DB = 2.0
"""Power with the floor over the floor, from which the floor is taken off: the leakage is then more than half
of it, and what the analyser's gain does between both sweeps counts less than twice."""

_RBW_PER_BANDWIDTH = 1 / 150
_SAMPLES = 100.0
_STEPS_DB = (5.0, 3.0, 2.0)
_KEEPS_DB = 4.0
_MOST_SETTINGS = 5
_TWO_SIGMA = 0.977


@dataclass(frozen=True, kw_only=True)
class _Sweeps:
    """One input attenuation: its pair of sweeps, and the carrier in it."""

    attenuation_db: float
    pair: Pair
    carrier: BandPower


@dataclass(frozen=True, kw_only=True)
class Leak:
    """What is in one adjacent channel."""

    ratio_db: float
    in_1_mhz_dbm: float
    bound: Bound
    confidence: float | None
    note: str
    trace: Trace
    evidence: tuple[Evidence, ...]
    budget: Budget
    ratio_budget: Budget
    index: int


@dataclass(frozen=True, kw_only=True)
class CarrierRead:
    """The carrier itself, at the attenuation that was chosen."""

    power: BandPower
    budget: Budget
    evidence: tuple[Evidence, ...]

    def measured(self) -> Measured:
        """Return it as a reading."""
        return Measured(
            name="carrier_power", value=self.power.level_dbm, evidence=self.evidence, budget=self.budget
        )


def first_attenuation_db(stream: Stream) -> float:
    """Return the input attenuation that puts the mean of the stream at ``MIXER_LEVEL_DBM``."""
    limits = stream.receiver.limits
    grid_db = limits.attenuation_step_db or 1.0
    low_db, high_db = limits.attenuation_db
    over_db = expected_mean_dbm(stream.session.bench, stream.state) - MIXER_LEVEL_DBM
    return min(max(math.ceil(over_db / grid_db - 1e-9) * grid_db, low_db), high_db)


class Shoulders:
    """Searches the input attenuation at which the channels beside a stream are read best."""

    def __init__(
        self,
        stream: Stream,
        beside: tuple[Neighbour, Neighbour],
        *,
        configuration_hz: float,
        span_hz: tuple[float, float],
    ) -> None:
        self._stream, self._beside = stream, beside
        self._receiver, self._bench = stream.receiver, stream.session.bench
        self._centre_hz = stream.state.carrier_hz
        self._width_hz, self._span_hz = configuration_hz, span_hz
        self._taken: list[_Sweeps] = []
        self._chosen: _Sweeps | None = None

    @property
    def evidence(self) -> tuple[Evidence, ...]:
        """The analyser's doubts about all its sweeps."""
        return tuple(each for sweeps in self._taken for each in sweeps.pair.evidence)

    def search(self) -> dict[str, Leak]:
        """Read three settings, and more until the last step changes nothing or the floor has it all."""
        limits = self._receiver.limits
        grid_db = limits.attenuation_step_db or 1.0
        high_db = limits.attenuation_db[1]
        first_db = first_attenuation_db(self._stream)
        self._take(first_db)
        step_db = math.ceil(self._step_db() / grid_db - 1e-9) * grid_db
        others = [first_db + number * step_db for number in (1, 2)]
        self._take(*(each for each in others if each <= high_db))
        while len(self._taken) < _MOST_SETTINGS and not self._done():
            next_db = self._taken[-1].attenuation_db + step_db
            if next_db > high_db:
                break
            self._take(next_db)
        leaks = {name: self._leak(name) for name in SIDES}
        self._chosen = self._taken[min(leak.index for leak in leaks.values())]
        return leaks

    def carrier(self, leaks: dict[str, Leak]) -> CarrierRead:
        """Return the power of the carrier at the lowest attenuation that was chosen."""
        sweeps = self._taken[min(leak.index for leak in leaks.values())]
        above_db = sweeps.carrier.level_dbm - self._band(sweeps.pair.floor).level_dbm
        check = floor_check(above_db, Bound.EXACT, sweeps.pair.trace, name="the carrier")
        return CarrierRead(power=sweeps.carrier, budget=self._carrier_budget(sweeps), evidence=(check,))

    def repeat(self) -> BandPower:
        """Read the carrier once more at the attenuation that was chosen."""
        sweeps = self._chosen or self._taken[0]
        trace, _ = self._receiver.sweep(self._setup(sweeps.attenuation_db))
        return self._band(trace, sweeps.pair.floor)

    def _take(self, *attenuations_db: float) -> None:
        pairs = self._stream.pairs(*map(self._setup, attenuations_db))
        for attenuation_db, pair in zip(attenuations_db, pairs, strict=True):
            carrier = self._band(pair.trace, pair.floor)
            self._taken.append(_Sweeps(attenuation_db=attenuation_db, pair=pair, carrier=carrier))

    def _setup(self, attenuation_db: float) -> SweepSetup:
        return wide_sweep(
            *self._span_hz,
            rbw_hz=self._width_hz * _RBW_PER_BANDWIDTH,
            at=InputRange(
                reference_level_dbm=self._receiver.range.reference_level_dbm, attenuation_db=attenuation_db
            ),
            limits=self._receiver.limits,
            samples=_SAMPLES,
        )

    def _band(self, trace: Trace, floor: Trace | None = None) -> BandPower:
        return band_power(
            trace,
            low_hz=self._centre_hz - self._width_hz / 2,
            high_hz=self._centre_hz + self._width_hz / 2,
            correction_db=self._receiver.losses_db(trace.frequency_hz),
            floor=floor,
        )

    def _beside_power(self, name: str, trace: Trace, floor: Trace | None = None) -> BandPower:
        side, which = SIDES[name]
        neighbour = self._beside[which]
        return channel_beside(
            trace,
            centre_hz=self._centre_hz + side * neighbour.offset_hz,
            neighbour=neighbour,
            correction_db=self._receiver.losses_db(trace.frequency_hz),
            floor=floor,
        )

    def _step_db(self) -> float:
        """The largest step that leaves the least leakage standing in the floor at the third setting."""
        over_db = min(self._over_floor_db(name, self._taken[0]) for name in ("lower", "upper"))
        return next((step for step in _STEPS_DB if over_db - 2 * step >= _KEEPS_DB), _STEPS_DB[-1])

    def _over_floor_db(self, name: str, sweeps: _Sweeps) -> float:
        raw = self._beside_power(name, sweeps.pair.trace)
        return raw.level_dbm - self._beside_power(name, sweeps.pair.floor).level_dbm

    def _settings(self, name: str) -> list[tuple[Setting, BandPower]]:
        found = []
        for sweeps in self._taken:
            gone = self._over_floor_db(name, sweeps) < LEAST_OVER_FLOOR_DB
            power = self._beside_power(name, sweeps.pair.trace, None if gone else sweeps.pair.floor)
            setting = Setting(
                attenuation_db=sweeps.attenuation_db,
                level_db=power.level_dbm - sweeps.carrier.level_dbm,
                sd_db=math.hypot(power.sd_db, sweeps.carrier.sd_db),
                gone=gone,
            )
            found.append((setting, power))
        return found

    def _done(self) -> bool:
        for name in SIDES:
            settings = [setting for setting, _ in self._settings(name)]
            if not (settings[-1].gone or accepted(settings)):
                return False
        return True

    def _leak(self, name: str) -> Leak:
        side, which = SIDES[name]
        found = self._settings(name)
        loss_db = self._receiver.loss_db(self._centre_hz)
        neighbour = self._beside[which]
        beyond = neighbour.offset_hz - neighbour.reach_hz >= 1.5 * self._width_hz
        own_db = [
            own_shoulder_db(
                self._bench, sweeps.carrier.level_dbm - loss_db - sweeps.attenuation_db, beyond=beyond
            )
            for sweeps in self._taken
        ]
        words = f"the leakage {'below' if side < 0 else 'above'}{' (second channel)' * which}"
        chosen = best_setting([setting for setting, _ in found], own_db, words)
        setting, power = found[chosen.index]
        return self._judged(name, chosen, setting, power, words)

    def _judged(self, name: str, chosen: Chosen, setting: Setting, power: BandPower, words: str) -> Leak:
        side, which = SIDES[name]
        sweeps = self._taken[chosen.index]
        noise = self._beside_power(name, sweeps.pair.floor)
        over_db = self._over_floor_db(name, sweeps)
        bound = Bound.UPPER if setting.gone else Bound.EXACT
        # A bound holds the noise of its own reading, two standard deviations, and what may have been hidden.
        raised_db = 2 * setting.sd_db + chosen.rest_db if setting.gone else 0.0
        at_hz = self._centre_hz + side * self._beside[which].offset_hz
        budget = self._receiver.budgets.band(
            sweeps.pair.trace,
            power,
            frequency_hz=at_hz,
            pad_db=self._receiver.pad_db,
            floor_db=noise.level_dbm - power.level_dbm,
            subtracted=not setting.gone,
            beside_dbm=sweeps.carrier.level_dbm,
        )
        ratio = ratio_budget(self._carrier_budget(sweeps), budget, "dB")
        if not setting.gone:
            budget, ratio = (with_left_over(each, chosen.rest_db, chosen.source) for each in (budget, ratio))
        level_dbm = power.level_dbm + raised_db
        return Leak(
            ratio_db=sweeps.carrier.level_dbm - level_dbm,
            in_1_mhz_dbm=density_dbm_hz(level_dbm, power.bandwidth_hz) + 60.0,
            bound=bound,
            confidence=_TWO_SIGMA if setting.gone else None,
            note=f"{'not above' if setting.gone else 'taken out of'} the floor with RF off, the sum "
            f"{over_db:.1f} dB over it, at {sweeps.attenuation_db:g} dB of input attenuation",
            trace=sweeps.pair.trace,
            evidence=(floor_check(over_db, bound, sweeps.pair.trace, name=words), chosen.evidence),
            budget=budget,
            ratio_budget=ratio,
            index=chosen.index,
        )

    def _carrier_budget(self, sweeps: _Sweeps) -> Budget:
        return self._receiver.budgets.band(
            sweeps.pair.trace,
            sweeps.carrier,
            frequency_hz=self._centre_hz,
            pad_db=self._receiver.pad_db,
            floor_db=self._band(sweeps.pair.floor).level_dbm - sweeps.carrier.level_dbm,
            subtracted=True,
        )
