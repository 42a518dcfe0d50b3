"""Spurious emissions: wide ranges swept in parts, and what comes near a limit looked at again."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated

import numpy as np
from pydantic import ConfigDict, Field

from hilkit.analysis import BandPower, candidates_hz, emission_levels_dbm, highest_hz
from hilkit.procedures.budgets import with_unit
from hilkit.procedures.contract import Band, Exposure, Need, Procedure, Settings
from hilkit.procedures.evidence import floor_check
from hilkit.procedures.evidence.attenuation import Setting, accepted, not_accepted
from hilkit.procedures.evidence.shoulders import steady_evidence
from hilkit.procedures.leakage import first_attenuation_db
from hilkit.procedures.receiver import with_evidence
from hilkit.procedures.streams import (
    Stream,
    StreamSettings,
    misfits_of_stream,
    stream_exposures,
    stream_state,
)
from hilkit.procedures.sweeps import narrow_sweep, nice_rbw_hz, wide_sweep
from hilkit.quantities import Between, Frequency, Level, Ratio
from hilkit.readings import Bound, Evidence, Measured, ReadingSpec, Trace

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.instruments import AnalyserLimits
    from hilkit.safety import Session

__all__ = ["SpuriousRange", "SpuriousSearch", "SpuriousSearchSettings", "Stretch"]

_SAMPLES = 20.0
_LOOK_SAMPLES = 200.0
_APART_BANDWIDTHS = 3.0
_NARROWER = 10.0
_SPAN_RBW = 40.0
_STEP_DB = 5.0
_LOOKS_S = 0.3


class Stretch(Settings):
    """A range of frequencies that is left out."""

    model_config = ConfigDict(populate_by_name=True)

    from_: Annotated[Frequency, Field(alias="from", description="lowest frequency")]
    to: Annotated[Frequency, Field(description="highest frequency")]


class SpuriousRange(Stretch):
    """A range that is searched with one measurement bandwidth and one limit."""

    limit: Annotated[Level, Field(description="highest mean power in the measurement bandwidth")]
    bandwidth: Annotated[Frequency, Between(above="0 Hz"), Field(description="measurement bandwidth")]


class SpuriousSearchSettings(StreamSettings):
    """What the step can be told."""

    ranges: Annotated[
        tuple[SpuriousRange, ...],
        Field(min_length=1, description="what is searched: from, to, limit, bandwidth"),
    ]
    excluded: Annotated[
        tuple[Stretch, ...],
        Field(description="what is left out: from, to; as a rule the band and the domain beside it"),
    ] = ()
    look_from: Annotated[
        Ratio,
        Between(low="0 dB"),
        Field(description="what comes nearer than this to its limit is looked at again in a narrow span"),
    ] = Ratio(10.0)


@dataclass(frozen=True, kw_only=True)
class _Found:
    """The highest emission of a range, or the floor that nothing stands out of."""

    frequency_hz: float
    level_dbm: float
    sd_db: float
    trace: Trace
    bound: Bound
    note: str
    evidence: tuple[Evidence, ...]


class SpuriousSearch(Procedure[SpuriousSearchSettings]):
    """Every range with its own bandwidth; candidates in a narrow span, at three input attenuations."""

    name = "spurious_search"
    summary = "highest spurious emission of each range, the analyser's own lines ruled out"
    settings_model = SpuriousSearchSettings
    readings = (
        ReadingSpec(
            name="spurious_margin",
            unit="dB",
            meaning="distance of the highest emission of a range from its limit",
            series=True,
            index_name="lowest frequency of the range",
            index_unit="Hz",
        ),
        ReadingSpec(name="worst_margin", unit="dB", meaning="the least of these distances"),
    )
    needs = (
        Need(instrument_class="signal_analyser"),
        Need(instrument_class="radio", capabilities=("waveform",)),
    )
    establishes_state = False

    def envelope(self, settings: SpuriousSearchSettings, bench: Bench) -> Iterable[Exposure]:
        """The stream at its level, and RF off before it."""
        sweeps_s = sum(
            max(
                2 * _SAMPLES * (each.to.hz - each.from_.hz) / (1.5 * each.bandwidth.hz**2),
                20 * (each.to.hz - each.from_.hz) / each.bandwidth.hz**2,
                0.1,
            )
            for each in settings.ranges
        )
        return stream_exposures(settings, bench, off_s=0.1, on_s=sweeps_s + _LOOKS_S * len(settings.ranges))

    def misfits(self, settings: SpuriousSearchSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse ranges that are none, and those where the path has no loss."""
        for name, stretches in (("ranges", settings.ranges), ("excluded", settings.excluded)):
            for each in stretches:
                if each.to.hz <= each.from_.hz:
                    yield name, f"{each.from_} to {each.to} is no range: `to` is the larger one"
        starts = [each.from_.hz for each in settings.ranges]
        if len(set(starts)) < len(starts):
            yield "ranges", "two ranges begin at one frequency: their readings would have one name"
        for each in settings.ranges:
            yield from misfits_of_stream(settings, bench, each.from_.hz, each.to.hz, setting="ranges")

    def reads(self, settings: SpuriousSearchSettings, bench: Bench) -> Iterator[Band]:
        """Every range."""
        pad_db = stream_state(settings, bench).pad_db
        for each in settings.ranges:
            yield Band(channel=settings.channel, low_hz=each.from_.hz, high_hz=each.to.hz, pad_db=pad_db)

    def measure(self, session: Session, settings: SpuriousSearchSettings) -> Iterator[Measured]:
        """Search range by range with the stream on."""
        stream = Stream(session, settings, self)
        receiver = stream.receiver
        receiver.range = replace(receiver.range, attenuation_db=first_attenuation_db(stream))
        stream.play()
        excluded = [(each.from_.hz, each.to.hz) for each in settings.excluded]
        measured = []
        for each in settings.ranges:
            search = _Search(stream, each, excluded, look_from_db=settings.look_from.db)
            found = search.run()
            if found is not None:
                measured.append(_reading(stream, each, found))
                yield measured[-1]
        if measured:
            worst = min(measured, key=lambda reading: reading.value)
            last = replace(worst, name="worst_margin", index=None, trace=None)
            yield with_evidence(last, (stream.references.check(),))


class _Search:
    """One range."""

    def __init__(
        self,
        stream: Stream,
        limits: SpuriousRange,
        excluded: list[tuple[float, float]],
        *,
        look_from_db: float,
    ) -> None:
        self._receiver, self._range, self._excluded = stream.receiver, limits, excluded
        self._threshold_dbm = limits.limit.dbm - look_from_db
        self._bandwidth_hz = limits.bandwidth.hz
        self._evidence: list[Evidence] = []
        self._own: list[str] = []

    def run(self) -> _Found | None:
        """Return the highest emission of the unit, ``None`` where everything is excluded."""
        best: _Found | None = None
        for low_hz, high_hz in _parts(self._range, self._receiver.limits):
            for found in self._part(low_hz, high_hz):
                if best is None or found.level_dbm > best.level_dbm:
                    best = found
        if best is None:
            return None
        told = "; ".join((best.note, *self._own))
        return replace(best, note=told, evidence=(*best.evidence, *self._evidence))

    def _part(self, low_hz: float, high_hz: float) -> Iterator[_Found]:
        receiver = self._receiver
        rbw_hz = nice_rbw_hz(self._bandwidth_hz, receiver.limits)
        setup = wide_sweep(
            low_hz, high_hz, rbw_hz=rbw_hz, at=receiver.range, limits=receiver.limits, samples=_SAMPLES
        )
        trace, evidence = receiver.sweep(setup)
        self._evidence += evidence
        # What a filter of this width shows of noise in a bandwidth as wide.
        scale_db = 10 * math.log10(self._bandwidth_hz / trace.noise_bandwidth_hz)
        correction_db = receiver.losses_db(trace.frequency_hz) + max(scale_db, 0.0)
        apart_hz = _APART_BANDWIDTHS * trace.rbw_hz
        candidates = candidates_hz(
            trace,
            threshold_dbm=self._threshold_dbm,
            apart_hz=apart_hz,
            correction_db=correction_db,
            excluded=self._excluded,
        )
        looked_at = list(self._excluded)
        for at_hz in candidates:
            looked_at.append((at_hz - apart_hz, at_hz + apart_hz))
            found = self._again(at_hz)
            if found is not None:
                yield found
        rest = highest_hz(trace, correction_db=correction_db, excluded=looked_at)
        if rest is not None:
            sd_db = 4.343 / math.sqrt(trace.samples_per_point)
            yield _Found(
                frequency_hz=rest[0],
                # A line between two points is shown lower than it is, by 0.75 dB at most half a filter apart.
                level_dbm=rest[1] + 0.75,
                sd_db=sd_db,
                trace=trace,
                bound=Bound.UPPER,
                note=f"nothing else of the range is above {rest[1] + 0.75:.1f} dBm",
                evidence=(),
            )

    def _again(self, at_hz: float) -> _Found | None:
        """Look again in a narrow span at three attenuations; ``None`` where the analyser makes it."""
        first_db = self._receiver.range.attenuation_db
        settings, traces = [], []
        centre_hz = at_hz
        for number in range(3):
            trace = self._narrow(centre_hz, first_db + number * self._step_db())
            level_dbm, peak_hz, sd_db = self._level(trace, centre_hz)
            if number == 0:
                centre_hz = peak_hz
            settings.append(Setting(attenuation_db=trace.attenuation_db, level_db=level_dbm, sd_db=sd_db))
            traces.append(trace)
        name = f"the emission at {centre_hz / 1e6:.3f} MHz"
        if accepted(settings):
            evidence = steady_evidence(settings, name)
        else:
            evidence = not_accepted(settings, name)
            if evidence.held is False and _of_the_analyser(settings):
                self._own.append(evidence.sentence)
                return None
        return _Found(
            frequency_hz=centre_hz,
            level_dbm=settings[0].level_db,
            sd_db=settings[0].sd_db,
            trace=traces[0],
            bound=Bound.EXACT,
            note=f"{settings[0].level_db:.1f} dBm at {centre_hz / 1e6:.3f} MHz",
            evidence=(evidence,),
        )

    def _step_db(self) -> float:
        grid_db = self._receiver.limits.attenuation_step_db or 1.0
        return math.ceil(_STEP_DB / grid_db - 1e-9) * grid_db

    def _narrow(self, centre_hz: float, attenuation_db: float) -> Trace:
        limits = self._receiver.limits
        setup = narrow_sweep(
            centre_hz,
            rbw_hz=nice_rbw_hz(self._bandwidth_hz / _NARROWER, limits),
            at=replace(self._receiver.range, attenuation_db=min(attenuation_db, limits.attenuation_db[1])),
            limits=limits,
            span_rbw=_SPAN_RBW,
            samples=_LOOK_SAMPLES,
        )
        points = min(math.ceil(3 * _SPAN_RBW) + 1, limits.points[1])
        trace, evidence = self._receiver.sweep(replace(setup, points=points))
        self._evidence += evidence
        return trace

    def _level(self, trace: Trace, centre_hz: float) -> tuple[float, float, float]:
        """Return the highest mean power in the measurement bandwidth, where, and its scatter."""
        reach_hz = trace.span_hz / 2 - self._bandwidth_hz / 2
        centres = np.linspace(centre_hz - reach_hz, centre_hz + reach_hz, 41)
        levels = emission_levels_dbm(
            trace,
            centres,
            bandwidth_hz=self._bandwidth_hz,
            correction_db=self._receiver.losses_db(trace.frequency_hz),
        )
        samples = trace.samples_per_point * max(1.0, self._bandwidth_hz / trace.spacing_hz)
        peak_hz = float(trace.frequency_hz[int(np.argmax(trace.level_dbm))])
        return float(levels.max()), peak_hz, 4.343 / math.sqrt(samples)


def _of_the_analyser(settings: list[Setting]) -> bool:
    """Whether a line follows the attenuation as only a line of the analyser does: a residual one rises with
    it decibel by decibel, a product of two lines or a harmonic falls at least as fast."""
    change_db = settings[-1].level_db - settings[0].level_db
    more_db = settings[-1].attenuation_db - settings[0].attenuation_db
    return abs(change_db - more_db) <= 1.0 or change_db <= -(more_db - 1.0)


def _reading(stream: Stream, limits: SpuriousRange, found: _Found) -> Measured:
    power = BandPower(level_dbm=found.level_dbm, sd_db=found.sd_db, bandwidth_hz=limits.bandwidth.hz)
    exact = found.bound is Bound.EXACT
    raised_db = 0.0 if exact else 2 * found.sd_db
    budget = stream.receiver.budgets.band(
        found.trace,
        power,
        frequency_hz=found.frequency_hz,
        pad_db=stream.receiver.pad_db,
        floor_db=-30.0,
        subtracted=exact,
    )
    floor = floor_check(10.0 if exact else 0.0, found.bound, found.trace, name="the highest emission")
    return Measured(
        name="spurious_margin",
        index=limits.from_.hz,
        value=limits.limit.dbm - found.level_dbm - raised_db,
        bound=Bound.EXACT if exact else Bound.LOWER,
        confidence=None if exact else 0.977,
        note=found.note,
        trace=found.trace,
        evidence=(*found.evidence, floor) if exact else found.evidence,
        budget=with_unit(budget, "dB"),
    )


def _parts(limits: SpuriousRange, analyser: AnalyserLimits) -> Iterator[tuple[float, float]]:
    """Split a range so that the analyser has points enough for its bandwidth."""
    rbw_hz = nice_rbw_hz(limits.bandwidth.hz, analyser)
    widest_hz = (analyser.points[1] - 1) * rbw_hz / 2 * 0.99
    count = math.ceil((limits.to.hz - limits.from_.hz) / widest_hz)
    ends = np.linspace(limits.from_.hz, limits.to.hz, count + 1)
    yield from ((float(low), float(high)) for low, high in itertools.pairwise(ends))
