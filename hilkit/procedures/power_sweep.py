"""The transmit attenuation stepped over a range: level, errors of the steps, monotonicity, drift."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

from pydantic import ConfigDict, Field

from hilkit.analysis import (
    LineReading,
    LineShape,
    cumulative_errors_db,
    join_segments,
    line_shape,
    noise_floor,
    range_covered_db,
    rbw_for_floor_hz,
    read_line,
    smallest_step_db,
    step_errors_db,
)
from hilkit.errors import MeasurementError
from hilkit.procedures.contract import Band, Exposure, Need, Procedure, Settings
from hilkit.procedures.corrections import SETTLING_S, switch_corrections
from hilkit.procedures.evidence import References, drift_check
from hilkit.procedures.evidence.state import scatter_db
from hilkit.procedures.fields import Attenuation, Carrier, Channel, Corrections, Deadline, Drive, Offset
from hilkit.procedures.least import Least
from hilkit.procedures.receiver import (
    Receiver,
    check_pad,
    merged,
    mute_others,
    prepare_analyser,
    with_evidence,
)
from hilkit.procedures.segments import Segment, points_db, segments_of
from hilkit.procedures.states import expected_input_dbm, misfits_of_band, misfits_of_carrier, pad_for
from hilkit.procedures.sweep_budgets import SweepBudgets
from hilkit.procedures.sweeps import narrow_sweep, nice_rbw_hz
from hilkit.quantities import Between, Duration, FullScaleLevel, Ratio
from hilkit.readings import Budget, Evidence, Measured, ReadingSpec, Trace
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.instruments import SweepSetup
    from hilkit.safety import Session

__all__ = ["PowerSweep", "PowerSweepSettings"]

_RBW_HZ = 10e3
_NARROWEST_RBW_HZ = 1e3
_WANTED_SNR_DB = 50.0
"""Distance of the lowest point from the floor: a step then scatters by 0.005 dB at six samples a point."""
_LOWER_THAN_EXPECTED_DB = 6.0
_LEAST_SNR_DB = 20.0
_MOST_POINTS = 1000
_BAND_HZ = 1e6
_SET_UP_S = 0.4
_COMMANDS_S = 0.01


class PowerSweepSettings(Settings):
    """What the step can be told."""

    model_config = ConfigDict(populate_by_name=True)

    channel: Channel
    carrier: Carrier
    offset: Offset
    from_: Annotated[Attenuation, Field(alias="from")]
    to: Attenuation
    step: Annotated[Ratio, Between(above="0 dB"), Field(description="size of one step, above 0 dB")]
    drive: Drive = FullScaleLevel(-6.0)
    pad: Annotated[
        Ratio | None,
        Field(
            description="setting of the step attenuator in the path at the highest level; left out, the "
            "smallest whole "
            "dB that keeps the highest level the radio can give at or under 0 dBm at the analyser"
        ),
    ] = None
    usable_range: Annotated[
        Ratio,
        Between(above="0 dB"),
        Field(
            description="range of levels that one setting of pad and analyser can compare; beyond it the "
            "pad moves"
        ),
    ] = Ratio(60.0)
    sweep_time: Annotated[
        Duration,
        Between(above="0 s"),
        Field(description="sweep time of one point, longer where the filter needs it"),
    ] = Duration(0.02)
    corrections: Corrections = False
    corrections_deadline: Deadline = Duration(60.0)


def _series(name: str, unit: str, meaning: str) -> ReadingSpec:
    return ReadingSpec(
        name=name, unit=unit, meaning=meaning, series=True, index_name="transmit attenuation", index_unit="dB"
    )


class PowerSweep(Procedure[PowerSweepSettings]):
    """Level against transmit attenuation at a fixed pad and a fixed analyser range."""

    name = "power_sweep"
    summary = "transmit attenuation stepped over a range: level, step errors, monotonicity, drift"
    settings_model = PowerSweepSettings
    readings = (
        _series("level", "dBm", "level of the tone at the radio port"),
        _series(
            "step_error", "dB", "change from the point before, less the nominal change; at the later point"
        ),
        _series("cumulative_error", "dB", "change from the first point, less the nominal change"),
        ReadingSpec(
            name="monotonicity",
            unit="dB",
            meaning="smallest step in the wanted direction; above 0 if monotonic",
        ),
        ReadingSpec(name="range_covered", unit="dB", meaning="distance between highest and lowest level"),
        ReadingSpec(
            name="return_drift",
            unit="dB",
            meaning="first point read again at the end, less its first reading",
        ),
    )
    needs = (Need(instrument_class="signal_analyser"), Need(instrument_class="radio", capabilities=("tone",)))
    establishes_state = False

    def envelope(self, settings: PowerSweepSettings, bench: Bench) -> Iterable[Exposure]:
        """The first point with RF off, then the tone at every attenuation, with its segment's pad setting."""
        segments = _segments(settings, bench)
        first = _state(settings, segments[0].attenuations_db[0], segments[0].pad_db)
        settling_s = min(SETTLING_S, settings.corrections_deadline.s) if settings.corrections else 0.0
        yield Exposure(state=replace(first, rf_on=False), expected_s=_SET_UP_S + settling_s)
        each_s = settings.sweep_time.s + _COMMANDS_S
        for segment in segments:
            for attenuation_db in segment.attenuations_db:
                state = _state(settings, attenuation_db, segment.pad_db)
                yield Exposure(state=state, expected_s=each_s)

    def misfits(self, settings: PowerSweepSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse a range that the steps do not fill, a tone outside the radio's bandwidth, a path without
        loss."""
        yield from misfits_of_carrier(bench, settings.carrier.hz)
        yield from _misfits_of_range(settings)
        if not 0 < abs(settings.offset.hz) <= bench.radio.bandwidth_hz / 2:
            yield (
                "offset",
                (
                    "the tone must be off the carrier, by at most half of the "
                    f"{bench.radio.bandwidth_hz / 1e6:g} MHz that "
                    "the radio can use"
                ),
            )
        yield from misfits_of_band(bench, settings.channel, *_band(settings))

    def reads(self, settings: PowerSweepSettings, bench: Bench) -> Iterator[Band]:
        """The surroundings of the tone, at each setting of the pad."""
        low_hz, high_hz = _band(settings)
        for pad_db in dict.fromkeys(segment.pad_db for segment in _segments(settings, bench)):
            yield Band(channel=settings.channel, low_hz=low_hz, high_hz=high_hz, pad_db=pad_db)

    def least_budget(
        self, name: str, settings: PowerSweepSettings, bench: Bench, nearest: float
    ) -> Budget | None:
        """The scale of the analyser over a step, or over the whole range; the noise comes on top."""
        first = _state(settings, settings.from_.db, _segments(settings, bench)[0].pad_db)
        least, whole_db = Least(bench, first), abs(settings.to.db - settings.from_.db)
        over_db = {
            "step_error": settings.step.db,
            "monotonicity": settings.step.db,
            "cumulative_error": whole_db,
            "range_covered": whole_db,
        }
        if name == "level":
            return least.level(_tone_hz(first))
        return least.step(-over_db[name]) if name in over_db else None

    def measure(self, session: Session, settings: PowerSweepSettings) -> Iterator[Measured]:
        """Read each point with one sweep, the analyser configured once."""
        for setting, sentence in self.misfits(settings, session.bench):
            raise MeasurementError(f"power_sweep: {setting}: {sentence}", next_step="choose another value")
        segments = _segments(settings, session.bench)
        prepare_analyser(session)
        for segment in segments:
            check_pad(session, settings.channel, segment.pad_db)
        session.select(settings.channel)
        mute_others(session, settings.channel)
        yield from _Run(session, settings, segments).points()


def _band(settings: PowerSweepSettings) -> tuple[float, float]:
    tone_hz = settings.carrier.hz + settings.offset.hz
    return tone_hz - _BAND_HZ / 2, tone_hz + _BAND_HZ / 2


class _Run:
    """One sweep under way."""

    def __init__(self, session: Session, settings: PowerSweepSettings, segments: list[Segment]) -> None:
        self._session = session
        self._settings = settings
        self._segments = segments
        self._states = [_state(settings, a, s.pad_db) for s in segments for a in s.attenuations_db]
        highest = max(self._states, key=lambda state: expected_input_dbm(session.bench, state))
        self._receiver = Receiver(session, highest)
        self._shape: LineShape | None = None
        self._least_snr_db = float("inf")
        self._first_sd_db = 0.0
        self._budgets = SweepBudgets(
            self._receiver.budgets, frequency_hz=_tone_hz(self._states[0]), pad_db=self._states[0].pad_db
        )

    def points(self) -> Iterator[Measured]:
        """Yield the level of every point as it is read, then what follows from all of them."""
        first = self._states[0]
        references = References(self._session)
        evidence = self._set_up(first)
        joints: tuple[Evidence, ...] = ()
        own: tuple[Evidence, ...] = ()
        loss_db = self._session.path(first.channel).loss_db(_tone_hz(first), pad_db=first.pad_db)
        levels: list[list[float]] = []
        for segment in self._segments:
            levels.append([])
            for attenuation_db in segment.attenuations_db:
                trace, reading = self._read(_state(self._settings, attenuation_db, segment.pad_db))
                seen, before = self._receiver.checks(), own
                own = (*seen, _distance(reading.above_floor_db, f"the point at {attenuation_db:g} dB"))
                evidence = merged((*evidence, *seen))
                levels[-1].append(reading.level_dbm)
                if len(levels) == len(levels[-1]) == 1:
                    self._first_sd_db = reading.sd_db
                if len(levels) > 1 and len(levels[-1]) == 1:
                    self._budgets.add_overlap(trace, reading)
                    # All levels from here on rest on the two sweeps that measured the pad's step.
                    joints = merged((*joints, *before, *own))
                    continue  # the overlap point stands in the series already
                joined, _ = join_segments(levels)
                self._budgets.add(trace, reading, joined_dbm=float(joined[-1]))
                yield Measured(
                    name="level",
                    value=float(joined[-1]) + loss_db,
                    index=attenuation_db,
                    bound=reading.bound,
                    confidence=reading.confidence,
                    evidence=merged((*own, *joints)),
                    budget=self._budgets.level(),
                )
        again = self._read(first)
        drift = drift_check(
            again[1].level_dbm - levels[0][0],
            scatter_db(again[1].sd_db, self._first_sd_db),
            what="the first point",
        )
        distance = _distance(self._least_snr_db, "the lowest point")
        evidence = merged((*evidence, *self._receiver.checks(), distance, drift, references.check()))
        for measured in self._results(levels, *again):
            yield with_evidence(measured, evidence)

    def _set_up(self, first: RfState) -> tuple[Evidence, ...]:
        """Configure the analyser for all points: filter, range and centre stay from here on."""
        rbw_hz = self._filter_hz(first)
        self._session.rf(first)
        switch_corrections(
            self._session,
            first.channel,
            on=self._settings.corrections,
            deadline_s=self._settings.corrections_deadline.s,
        )
        return self._draw(first, rbw_hz)

    def _filter_hz(self, first: RfState) -> float:
        """Choose the filter from the floor with RF off: beside the tone its own phase noise would be read."""
        bench, limits = self._session.bench, self._receiver.limits
        self._session.rf(replace(first, rf_on=False))
        setup = self._sweep_around(_tone_hz(first), nice_rbw_hz(_RBW_HZ, limits))
        floor, _ = self._receiver.sweep(setup)
        lowest_dbm = min(expected_input_dbm(bench, state) for state in self._states) - _LOWER_THAN_EXPECTED_DB
        wanted_hz = rbw_for_floor_hz(
            density_dbm_hz=noise_floor(floor).density_dbm_hz,
            floor_dbm=lowest_dbm - _WANTED_SNR_DB,
            noise_bandwidth_ratio=floor.noise_bandwidth_hz / floor.rbw_hz,
        )
        return nice_rbw_hz(min(max(wanted_hz, _NARROWEST_RBW_HZ), _RBW_HZ), limits)

    def _draw(self, first: RfState, rbw_hz: float) -> tuple[Evidence, ...]:
        centre_hz = _tone_hz(first)
        for _ in range(2):
            trace, evidence = self._receiver.sweep(self._sweep_around(centre_hz, rbw_hz))
            self._shape = line_shape(trace)
            if abs(self._shape.centre_hz - centre_hz) <= rbw_hz:
                break
            centre_hz = self._shape.centre_hz
        return evidence

    def _sweep_around(self, centre_hz: float, rbw_hz: float) -> SweepSetup:
        return narrow_sweep(
            centre_hz,
            rbw_hz=rbw_hz,
            at=self._receiver.range,
            limits=self._receiver.limits,
            samples=1.0,
            sweep_time_at_least_s=self._settings.sweep_time.s,
        )

    def _read(self, state: RfState) -> tuple[Trace, LineReading]:
        if self._shape is None:
            raise ValueError("the analyser has to be set up before a point is read")
        self._session.rf(state)
        trace = self._receiver.analyser.acquire()
        reading = read_line(trace, self._shape, at_hz=self._shape.centre_hz)
        self._least_snr_db = min(self._least_snr_db, reading.above_floor_db)
        return trace, reading

    def _results(self, levels: list[list[float]], trace: Trace, again: LineReading) -> Iterator[Measured]:
        joined, pad_steps_db = join_segments(levels)
        settings_db = _points(self._settings)
        note = (
            f"pad moved {len(pad_steps_db)} times, measured {_listed(pad_steps_db)} dB"
            if len(pad_steps_db)
            else ""
        )
        budgets = self._budgets
        for name, first, values, budget in (
            ("step_error", 1, step_errors_db(settings_db, joined), budgets.step),
            ("cumulative_error", 0, cumulative_errors_db(settings_db, joined), budgets.from_first),
        ):
            for number, (attenuation_db, value) in enumerate(zip(settings_db[first:], values, strict=True)):
                yield Measured(
                    name=name, value=float(value), index=attenuation_db, note=note, budget=budget(number)
                )
        for name, single, doubt in (
            ("monotonicity", smallest_step_db(settings_db, joined), budgets.least_known_step()),
            ("range_covered", range_covered_db(joined), budgets.whole_range()),
        ):
            yield Measured(name=name, value=single, note=note, budget=doubt)
        yield Measured(
            name="return_drift",
            value=again.level_dbm - levels[0][0],
            note="holds the pad's repeatability" if note else "",
            budget=budgets.drift(trace, again),
        )


def _distance(above_floor_db: float, point: str) -> Evidence:
    held = above_floor_db >= _LEAST_SNR_DB
    return Evidence(
        name="distance to the floor",
        held=held,
        observed=f"{above_floor_db:.1f} dB at {point}",
        required=f"at least {_LEAST_SNR_DB:g} dB",
        sentence=f"{point} stands clear of the noise"
        if held
        else f"{point} is too near to the noise to tell its step error: use less pad, or a smaller range",
    )


def _points(settings: PowerSweepSettings) -> tuple[float, ...]:
    return points_db(settings.from_.db, settings.to.db, settings.step.db)


def _segments(settings: PowerSweepSettings, bench: Bench) -> list[Segment]:
    points = _points(settings)
    pad_db = pad_for(
        bench,
        channel=settings.channel,
        carrier_hz=settings.carrier.hz,
        attenuation_db=min(points),
        pad=settings.pad,
    )
    return segments_of(points, pad_db=pad_db, usable_range_db=settings.usable_range.db)


def _misfits_of_range(settings: PowerSweepSettings) -> Iterator[tuple[str, str]]:
    span_db, step_db = abs(settings.to.db - settings.from_.db), settings.step.db
    if span_db == 0:
        yield "to", "from and to are equal: there is no step to measure"
        return
    steps = span_db / step_db
    if abs(steps - round(steps)) > 1e-6:
        yield "step", f"steps of {settings.step} from {settings.from_} do not end at {settings.to}"
    if steps > _MOST_POINTS:
        yield "step", f"{steps:.0f} steps are more than the {_MOST_POINTS} of one sweep: use larger steps"


def _state(settings: PowerSweepSettings, attenuation_db: float, pad_db: float) -> RfState:
    return RfState(
        channel=settings.channel,
        carrier_hz=settings.carrier.hz,
        attenuation_db=attenuation_db,
        drive_dbfs=settings.drive.dbfs,
        tone_offset_hz=settings.offset.hz,
        pad_db=pad_db,
    )


def _tone_hz(state: RfState) -> float:
    return state.carrier_hz + (state.tone_offset_hz or 0.0)


def _listed(values: Iterable[float]) -> str:
    return ", ".join(f"{value:+.3f}" for value in values)
