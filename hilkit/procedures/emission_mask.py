"""Unwanted emissions of a modulated stream beside its channel, against a mask."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated

from pydantic import ConfigDict, Field

from hilkit.analysis import BandPower, MaskSegment, Nearest, band_power, nearest_to_mask
from hilkit.procedures.budgets import with_unit
from hilkit.procedures.contract import Band, Exposure, Need, Procedure, Settings
from hilkit.procedures.evidence import floor_check
from hilkit.procedures.evidence.attenuation import Setting
from hilkit.procedures.evidence.shoulders import best_setting, own_density_db
from hilkit.procedures.leakage import first_attenuation_db
from hilkit.procedures.receiver import with_evidence
from hilkit.procedures.stream_budgets import with_left_over
from hilkit.procedures.streams import (
    Pair,
    Stream,
    StreamSettings,
    misfits_of_stream,
    stream_exposures,
    stream_state,
)
from hilkit.procedures.sweeps import InputRange, wide_sweep
from hilkit.quantities import Between, Frequency, Level
from hilkit.readings import Bound, Measured, ReadingSpec

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.instruments import SweepSetup
    from hilkit.safety import Session

__all__ = ["EmissionMask", "EmissionMaskSettings", "MaskPart"]

_SIDES = {"margin_lower": -1, "margin_upper": 1}
_SETTINGS, _STEP_DB = 3, 5.0
_SAMPLES = 100.0
_RBW_PER_BANDWIDTH = 0.3
_LEAST_OVER_FLOOR_DB = 10.0


class MaskPart(Settings):
    """One piece of a mask on either side of the channel."""

    model_config = ConfigDict(populate_by_name=True)

    from_: Annotated[
        Frequency,
        Field(alias="from", description="channel's edge to the first centre of the filter"),
    ]
    to: Annotated[Frequency, Field(description="channel's edge to the last centre of the filter")]
    limit: Annotated[Level, Field(description="highest mean power in the measurement bandwidth at the first")]
    limit_end: Annotated[
        Level | None,
        Field(description="the same at the last, on a straight line; else as at the first"),
    ] = None
    bandwidth: Annotated[Frequency, Between(above="0 Hz"), Field(description="measurement bandwidth")]

    def segment(self) -> MaskSegment:
        """Return the same in numbers."""
        return MaskSegment(
            from_hz=self.from_.hz,
            to_hz=self.to.hz,
            from_dbm=self.limit.dbm,
            to_dbm=(self.limit if self.limit_end is None else self.limit_end).dbm,
            bandwidth_hz=self.bandwidth.hz,
        )


class EmissionMaskSettings(StreamSettings):
    """What the step can be told."""

    bandwidth: Annotated[
        Frequency,
        Between(above="0 Hz"),
        Field(description="channel; the mask counts from its edges"),
    ]
    mask: Annotated[
        tuple[MaskPart, ...],
        Field(min_length=1, description="pieces of the mask: from, to, limit, limit_end, bandwidth"),
    ]


@dataclass(frozen=True, kw_only=True)
class _Sweeps:
    attenuation_db: float
    pair: Pair
    carrier: BandPower


class EmissionMask(Procedure[EmissionMaskSettings]):
    """Sweeps at three input attenuations, integrated up to the measurement bandwidth of each piece."""

    name = "emission_mask"
    summary = "unwanted emissions beside the channel against a mask, margin by piece"
    settings_model = EmissionMaskSettings
    readings = (
        *(
            ReadingSpec(
                name=name,
                unit="dB",
                meaning=f"least distance under the mask {'below' if side < 0 else 'above'} the channel",
                series=True,
                index_name="first offset of the piece",
                index_unit="Hz",
            )
            for name, side in _SIDES.items()
        ),
        ReadingSpec(name="mask_margin", unit="dB", meaning="the least of all these distances"),
    )
    needs = (
        Need(instrument_class="signal_analyser"),
        Need(instrument_class="radio", capabilities=("waveform",)),
    )
    establishes_state = False

    def envelope(self, settings: EmissionMaskSettings, bench: Bench) -> Iterable[Exposure]:
        """The stream at its level, and the same with RF off for the floors."""
        low_hz, high_hz = _span(settings)
        rbw_hz = _RBW_PER_BANDWIDTH * min(part.bandwidth.hz for part in settings.mask)
        sweep_s = max(_SAMPLES * 2 * (high_hz - low_hz) / (1.5 * rbw_hz**2), 0.1)
        return stream_exposures(settings, bench, off_s=_SETTINGS * sweep_s, on_s=(_SETTINGS + 1) * sweep_s)

    def misfits(self, settings: EmissionMaskSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse a mask that is none, or one that cannot be swept."""
        for part in settings.mask:
            if part.to.hz <= part.from_.hz:
                yield "mask", f"a piece from {part.from_} to {part.to} has no width: `to` is the larger one"
        yield from misfits_of_stream(settings, bench, *_span(settings), setting="mask")

    def reads(self, settings: EmissionMaskSettings, bench: Bench) -> Iterator[Band]:
        """The span that is swept."""
        low_hz, high_hz = _span(settings)
        pad_db = stream_state(settings, bench).pad_db
        yield Band(channel=settings.channel, low_hz=low_hz, high_hz=high_hz, pad_db=pad_db)

    def measure(self, session: Session, settings: EmissionMaskSettings) -> Iterator[Measured]:
        """Sweep floor and stream at each attenuation, and look for the worst point of each piece."""
        stream = Stream(session, settings, self)
        setups = _setups(stream, settings)
        pairs = stream.pairs(*setups)
        taken = [
            _Sweeps(attenuation_db=setup.attenuation_db, pair=pair, carrier=_carrier(stream, settings, pair))
            for setup, pair in zip(setups, pairs, strict=True)
        ]
        again, later = stream.receiver.sweep(setups[0])
        repeat = _carrier(stream, settings, Pair(trace=again, floor=pairs[0].floor, evidence=()))
        shared = (
            *(each for pair in pairs for each in pair.evidence),
            *later,
            stream.repeated(taken[0].carrier, repeat),
            stream.references.check(),
        )
        found = [_judged(stream, settings, taken, name, part) for name in _SIDES for part in settings.mask]
        for number, measured in enumerate(found):
            trace = taken[0].pair.trace if number == 0 else None
            yield with_evidence(replace(measured, trace=trace), shared)
        worst = min(found, key=lambda measured: measured.value)
        yield with_evidence(replace(worst, name="mask_margin", index=None), shared)


def _judged(
    stream: Stream, settings: EmissionMaskSettings, taken: list[_Sweeps], name: str, part: MaskPart
) -> Measured:
    side, segment = _SIDES[name], part.segment()
    edge_hz = settings.carrier.hz + side * settings.bandwidth.hz / 2
    nearest: list[Nearest] = []
    readings: list[Setting] = []
    for each in taken:
        seen = nearest_to_mask(
            each.pair.trace,
            segment,
            edge_hz=edge_hz,
            side=side,
            correction_db=stream.receiver.losses_db(each.pair.trace.frequency_hz),
            floor=each.pair.floor,
        )
        nearest.append(seen)
        readings.append(
            Setting(
                attenuation_db=each.attenuation_db,
                level_db=seen.level_dbm - each.carrier.level_dbm,
                sd_db=math.hypot(seen.sd_db, each.carrier.sd_db),
                gone=_over_floor_db(seen) < _LEAST_OVER_FLOOR_DB,
            )
        )
    loss_db = stream.receiver.loss_db(settings.carrier.hz)
    own_db = [
        own_density_db(
            stream.session.bench,
            each.carrier.level_dbm - loss_db - each.attenuation_db,
            share=segment.bandwidth_hz / settings.bandwidth.hz,
        )
        for each in taken
    ]
    words = f"the emission {'below' if side < 0 else 'above'} the channel from {part.from_} on"
    chosen = best_setting(readings, own_db, words)
    seen, sweeps = nearest[chosen.index], taken[chosen.index]
    gone = readings[chosen.index].gone
    bound = Bound.LOWER if gone else Bound.EXACT
    raised_db = 2 * seen.sd_db + chosen.rest_db if gone else 0.0
    power = BandPower(level_dbm=seen.level_dbm, sd_db=seen.sd_db, bandwidth_hz=segment.bandwidth_hz)
    budget = stream.receiver.budgets.band(
        sweeps.pair.trace,
        power,
        frequency_hz=seen.frequency_hz,
        pad_db=stream.receiver.pad_db,
        floor_db=-_over_floor_db(seen),
        subtracted=not gone,
        beside_dbm=sweeps.carrier.level_dbm,
    )
    if not gone:
        # The floor is left in: within its tenth it may add 0.4 dB.
        floor_db = -10 * math.log10(1 - 10 ** (-_over_floor_db(seen) / 10))
        budget = with_left_over(budget, max(chosen.rest_db, floor_db), chosen.source or "floor left in")
    return Measured(
        name=name,
        index=part.from_.hz,
        value=seen.margin_db - raised_db,
        bound=bound,
        confidence=0.977 if gone else None,
        note=f"{seen.level_dbm:.1f} dBm in {part.bandwidth} at {side * seen.offset_hz / 1e6:+.3f} MHz from "
        f"the edge, limit {seen.limit_dbm:.1f} dBm; {_over_floor_db(seen):.1f} dB over the floor",
        evidence=(
            floor_check(
                _over_floor_db(seen), Bound.UPPER if gone else Bound.EXACT, sweeps.pair.trace, name=words
            ),
            chosen.evidence,
        ),
        budget=with_unit(budget, "dB"),
    )


def _over_floor_db(seen: Nearest) -> float:
    return math.inf if seen.floor_dbm is None else max(seen.level_dbm - seen.floor_dbm, 0.0)


def _carrier(stream: Stream, settings: EmissionMaskSettings, pair: Pair) -> BandPower:
    half_hz = settings.bandwidth.hz / 2
    return band_power(
        pair.trace,
        low_hz=settings.carrier.hz - half_hz,
        high_hz=settings.carrier.hz + half_hz,
        correction_db=stream.receiver.losses_db(pair.trace.frequency_hz),
        floor=pair.floor,
    )


def _setups(stream: Stream, settings: EmissionMaskSettings) -> list[SweepSetup]:
    receiver = stream.receiver
    grid_db = receiver.limits.attenuation_step_db or 1.0
    high_db = receiver.limits.attenuation_db[1]
    first_db = first_attenuation_db(stream)
    step_db = math.floor(_STEP_DB / grid_db) * grid_db
    low_hz, high_hz = _span(settings)
    return [
        wide_sweep(
            low_hz,
            high_hz,
            rbw_hz=_RBW_PER_BANDWIDTH * min(part.bandwidth.hz for part in settings.mask),
            at=InputRange(
                reference_level_dbm=receiver.range.reference_level_dbm,
                attenuation_db=min(first_db + number * step_db, high_db),
            ),
            limits=receiver.limits,
            samples=_SAMPLES,
        )
        for number in range(_SETTINGS)
    ]


def _span(settings: EmissionMaskSettings) -> tuple[float, float]:
    beyond_hz = max(part.to.hz + part.bandwidth.hz for part in settings.mask)
    half_hz = settings.bandwidth.hz / 2 + max(beyond_hz, 0.0)
    return settings.carrier.hz - half_hz, settings.carrier.hz + half_hz
