"""Generator and sensor, first on each other, then at the two ends of a path: the difference is the loss.

What both readings have in common drops out: the level of the generator and its flatness, the calibration
factor of the sensor. What remains is in the budget: how well the generator returns to a level, the sensor's
linearity over the loss and what its zeroing left, the mismatch at each plane, the contacts, the scatter.

The sensor is zeroed once, before both readings. What is left, z, adds to both powers alike; in decibels it
weighs 4.34 z/P, so that the loss is off by 4.34 z (1/P1 - 1/P2), at every frequency with the same z.
Generator and sensor on each other have no line between them: their mismatch is the same at all frequencies of
a path.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Literal

import numpy as np
from pydantic import ConfigDict, Field

from hilkit.analysis.averages import DB_PER_NEPER
from hilkit.bench.path import frequency_text
from hilkit.bench.path_budget import (
    ANALYSER,
    RADIO,
    interfaces,
    mismatch_lines,
    missing_line,
    reflection_of,
)
from hilkit.bench.reflection import PortReflection, of_vswr
from hilkit.errors import BenchError, MeasurementError, SafetyStop
from hilkit.judgement.mismatch import mismatch_line
from hilkit.procedures.budgets import scatter_line
from hilkit.procedures.contract import Exposure, Settings, SourceExposure
from hilkit.procedures.fields import Channel
from hilkit.procedures.receiver import check_pad, checks, merged, overload_check, prepare_analyser
from hilkit.procedures.sweeps import InputRange, narrow_sweep
from hilkit.quantities import Between, Frequency, Level, Ratio
from hilkit.readings import Budget, BudgetLine, Evidence
from hilkit.safety import Lead, PersonStep, RfState
from hilkit.safety.source import refuse_source_overload

if TYPE_CHECKING:
    from hilkit.bench import Bench, InstrumentSpec
    from hilkit.safety import Session

__all__ = ["Loss", "Substitution", "SubstitutionSettings"]

_RBW_HZ = 10e3
_INPUT_ATTENUATION_DB = 30.0
_HEADROOM_DB = 3.0
_SAME = 1e-6
_PLAUSIBLE_DB = 3.0
"""Further from what is expected no reading lies unless something is connected elsewhere (common practice, no
source)."""
_ANALYSER_S = 0.1
"""About what a narrow sweep takes."""


class SubstitutionSettings(Settings):
    """What both procedures can be told."""

    model_config = ConfigDict(populate_by_name=True)

    channel: Channel
    from_: Annotated[
        Frequency, Between(above="0 Hz"), Field(alias="from", description="lowest frequency of the grid")
    ]
    to: Annotated[Frequency, Between(above="0 Hz"), Field(description="highest frequency of the grid")]
    level: Annotated[Level, Field(description="level of the generator at its connector")] = Level(10.0)
    pad: Annotated[
        Ratio, Between(low="0 dB"), Field(description="setting of the step attenuator in the path")
    ] = Ratio(0.0)
    sensor: Annotated[
        Literal["power_meter", "signal_analyser"],
        Field(description="what reads the power: the power meter, or the analyser that ends the path"),
    ] = "power_meter"
    averages: Annotated[int, Field(ge=1, description="averages of one reading of the power meter")] = 32
    readings: Annotated[int, Field(ge=2, description="readings at each frequency, whose scatter counts")] = 4


@dataclass(frozen=True, kw_only=True)
class Loss:
    """The loss of a path at one frequency."""

    frequency_hz: float
    loss_db: float
    budget: Budget
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True, kw_only=True)
class _Level:
    """The mean of some readings, with what the sensor said of them."""

    dbm: float
    sd_db: float
    evidence: tuple[Evidence, ...] = ()


class Substitution:
    """The two readings over a grid of frequencies in Hz, with what a person does in between."""

    def __init__(self, bench: Bench, settings: SubstitutionSettings, grid_hz: Sequence[float]) -> None:
        self._bench = bench
        self._settings = settings
        self._grid_hz = tuple(grid_hz)
        self.path = bench.path(settings.channel)
        self._generator = _one(bench, "signal_generator")
        self._sensor = _one(bench, settings.sensor)
        self._by_analyser = settings.sensor == "signal_analyser"
        node = self.path.nodes[-1] if self._by_analyser else f"{self._sensor.name} sensor"
        self._direct = Lead(sensor=node)
        self._through = Lead(sensor=node, channel=settings.channel, pad_db=settings.pad.db)

    @property
    def instruments(self) -> tuple[str, ...]:
        """Names of the instruments that take part, those in the path among them."""
        return (self._generator.name, self._sensor.name, *self.path.instruments)

    def exposure(self) -> Exposure:
        """Return the state of the radio meanwhile, and the time that all takes without the person."""
        each_s = _ANALYSER_S
        if not self._by_analyser:
            each_s = self._settings.averages * self._sensor.dialect.reading_time_s
        seconds = 2 * len(self._grid_hz) * self._settings.readings * each_s
        seconds += 0.0 if self._by_analyser else self._sensor.dialect.zeroing_time_s
        quiet = RfState(
            channel=self._settings.channel,
            carrier_hz=self._bench.radio.bands_hz[0][0],
            attenuation_db=0.0,
            pad_db=self._settings.pad.db,
            rf_on=False,
        )
        return Exposure(state=quiet, expected_s=seconds)

    def sources(self) -> Iterator[SourceExposure]:
        """Yield each setting of the generator, first on the sensor, then through the path."""
        for lead in (self._direct, self._through):
            for hz in self._grid_hz:
                yield SourceExposure(
                    generator=self._generator.name,
                    lead=lead,
                    frequency_hz=hz,
                    level_dbm=self._settings.level.dbm,
                )

    def misfits(self) -> Iterator[tuple[str, str]]:
        """Yield what cannot work, found without any I/O."""
        yield from self._misfits_of_pad()
        for spec, key in ((self._generator, "frequency"), (self._generator, "level")):
            capability = spec.dialect.capabilities[key]
            wanted = self._grid_hz if key == "frequency" else (self._settings.level.dbm,)
            for value in wanted:
                if not capability.limits.hold(value):
                    setting = "level" if key == "level" else "from"
                    yield (
                        setting,
                        f"{capability.shown(value)} is beyond {spec.name}: its driver {spec.driver} allows "
                        f"{capability.allowed()}",
                    )
                    return
        try:
            for each in self.sources():
                refuse_source_overload(
                    self._bench,
                    each.generator,
                    each.lead,
                    frequency_hz=each.frequency_hz,
                    level_dbm=each.level_dbm,
                )
        except SafetyStop as error:
            yield "level", f"{error.message}; {error.next_step}"

    def _misfits_of_pad(self) -> Iterator[tuple[str, str]]:
        pad, wanted_db = self.path.pad_instrument, self._settings.pad.db
        if pad is None:
            if wanted_db:
                yield "pad", f"path {self.path.name} has no step attenuator"
            return
        capability = self._bench.instruments[pad].dialect.capabilities["attenuation"]
        step = capability.limits.step
        off_step = step is not None and abs(wanted_db / step - round(wanted_db / step)) > _SAME
        if off_step or not capability.limits.hold(wanted_db):
            yield "pad", f"{pad} cannot be set to {wanted_db:g} dB; its driver allows {capability.allowed()}"

    def run(self, session: Session) -> Iterator[Loss]:
        """Yield the loss at each frequency; the generator is off at the end and at every change before."""
        check_pad(session, self._settings.channel, self._settings.pad.db)
        try:
            self._prepare(session)
            session.ask_person(self._step_direct())
            self._zero(session)
            session.source.lead(self._direct)
            session.note(f"reference: {self._generator.name} on {self._sensor.name}")
            reference = [self._arrived(hz, self._read(session, hz)) for hz in self._grid_hz]
            session.ask_person(self._step_through())
            session.source.lead(self._through)
            session.note(f"through path {self.path.name}, {len(self._grid_hz)} frequencies")
            for hz, before in zip(self._grid_hz, reference, strict=True):
                after = self._read(session, hz)
                yield Loss(
                    frequency_hz=hz,
                    loss_db=before.dbm - after.dbm,
                    budget=self._budget(hz, before, after),
                    evidence=merged((*before.evidence, *after.evidence)),
                )
            session.ask_person(self._step_back())
        finally:
            session.source.off()

    def _arrived(self, frequency_hz: float, level: _Level) -> _Level:
        """Refuse a level that cannot be the generator's: whoever was asked has not connected them."""
        sent_dbm = self._settings.level.dbm
        if abs(level.dbm - sent_dbm) > _PLAUSIBLE_DB:
            generator, sensor = self._generator.name, self._sensor.name
            raise MeasurementError(
                f"{sensor} reads {level.dbm:.1f} dBm at {frequency_text(frequency_hz)} where {generator} "
                f"sends {sent_dbm:.1f} dBm: they are not connected to each other directly",
                next_step="do what the run asks for at the bench before Enter, and look at the cable",
            )
        return level

    def plausible(self, loss: Loss) -> Loss:
        """Return a loss that may be that of the path; raise ``MeasurementError`` for one that may not.

        The elements of the bench file say what to expect, and the ratings rest on them.
        """
        pad_db = self._settings.pad.db
        expected_db = self.path.elements_loss_db(loss.frequency_hz, pad_db=pad_db)
        allowed_db = _PLAUSIBLE_DB + sum(element.uncertainty_db for element in self.path.elements)
        if abs(loss.loss_db - expected_db) > allowed_db:
            raise MeasurementError(
                f"{loss.loss_db:.2f} dB at {frequency_text(loss.frequency_hz)} is not the loss of path "
                f"{self.path.name}: its elements in the bench file make {expected_db:.2f} dB, and at "
                f"most {allowed_db:.2f} dB off is believed",
                next_step="check that generator and sensor are at the two ends of this path; if they are, "
                "correct the elements, since the levels at its nodes are predicted from them",
            )
        return loss

    # what a person does

    def _planes(self, *names: str) -> tuple[str, tuple[str, ...]]:
        """Return what the bench file says of planes, in words and as photos."""
        known = [(name, self._bench.planes[name]) for name in names if name in self._bench.planes]
        words = "".join(f"; {name}: {plane.text}" for name, plane in known if plane.text)
        return words, tuple(plane.photo for _, plane in known if plane.photo)

    @property
    def _port(self) -> str:
        return f"{self.path.name} port"

    @property
    def _far_end(self) -> str:
        return f"{_one(self._bench, 'signal_analyser').name} input"

    def _step_direct(self) -> PersonStep:
        generator, sensor = self._generator.name, self._sensor.name
        if self._by_analyser:
            words, photos = self._planes(self._far_end)
            text = f"connect {generator} to {self._far_end} directly, in place of the path{words}"
            return PersonStep(text=text, moves=((generator, self._far_end),), photos=photos)
        plane = f"{generator} output"
        words, photos = self._planes(plane)
        text = f"take {generator} off the path and put the sensor of {sensor} on plane {plane}{words}"
        return PersonStep(text=text, moves=((generator, ""), (sensor, plane)), photos=photos)

    def _step_through(self) -> PersonStep:
        generator, sensor = self._generator.name, self._sensor.name
        words, photos = self._planes(self._port, self._far_end)
        first = f"take the radio off plane {self._port} and connect {generator} there"
        if self._by_analyser:
            text = f"{first}; put the path back on {self._far_end}{words}"
            return PersonStep(text=text, moves=((generator, self._port),), photos=photos)
        text = f"{first}; put the sensor of {sensor} on plane {self._far_end} in place of the analyser{words}"
        moves = ((sensor, self._far_end), (generator, self._port))
        return PersonStep(text=text, moves=moves, photos=photos)

    def _step_back(self) -> PersonStep:
        moved = [self._generator.name, *([] if self._by_analyser else [self._sensor.name])]
        text = (
            f"take {' and the sensor of '.join(moved)} off and put the bench back: radio on {self._port}, "
            f"path on {self._far_end}"
        )
        return PersonStep(text=text, moves=tuple((name, "") for name in moved))

    # readings

    def _prepare(self, session: Session) -> None:
        if self._by_analyser:
            prepare_analyser(session)
        else:
            session.power_meter.prepare()

    def _zero(self, session: Session) -> None:
        if not self._by_analyser:
            session.note(f"zeroing {self._sensor.name}, generator and radio off")
            session.power_meter.zero(rf_is_off=session.source.quiet)

    def _read(self, session: Session, frequency_hz: float) -> _Level:
        session.source.send(frequency_hz, self._settings.level.dbm)
        taken, seen = zip(*self._levels_dbm(session, frequency_hz), strict=True)
        session.source.mute()
        evidence = merged([each for one in seen for each in one])
        return _Level(dbm=float(np.mean(taken)), sd_db=float(np.std(taken, ddof=1)), evidence=evidence)

    def _levels_dbm(
        self, session: Session, frequency_hz: float
    ) -> Iterator[tuple[float, tuple[Evidence, ...]]]:
        """Yield each level with what the sensor says of it; an overload or too fast a sweep ends it all."""
        if self._by_analyser:
            yield from self._analyser_levels_dbm(session, frequency_hz)
            return
        meter = session.power_meter
        meter.configure(frequency_hz=frequency_hz, averages=self._settings.averages)
        for _ in range(self._settings.readings):
            reading = meter.measure()
            if reading.overload:
                raise self._overloaded(frequency_hz)
            yield reading.level_dbm, (overload_check(reading.overload, self._sensor.name),)

    def _overloaded(self, frequency_hz: float) -> MeasurementError:
        return MeasurementError(
            f"{self._sensor.name} is overloaded at {frequency_text(frequency_hz)}",
            next_step="use a lower level",
        )

    def _analyser_levels_dbm(
        self, session: Session, frequency_hz: float
    ) -> Iterator[tuple[float, tuple[Evidence, ...]]]:
        # Both readings at one frequency are taken with the same settings, so the highest point of the line,
        # whatever it loses to the grid of points, loses the same in both.
        limits = session.analyser.limits()
        at = InputRange(
            reference_level_dbm=math.ceil(self._settings.level.dbm + _HEADROOM_DB),
            attenuation_db=min(_INPUT_ATTENUATION_DB, limits.attenuation_db[1]),
        )
        session.analyser.configure(narrow_sweep(frequency_hz, rbw_hz=_RBW_HZ, at=at, limits=limits))
        for _ in range(self._settings.readings):
            trace, status = session.analyser.acquire(), session.analyser.status()
            if status.overload:
                raise self._overloaded(frequency_hz)
            if status.uncalibrated_sweep:
                raise MeasurementError(
                    f"{self._sensor.name} says that its sweep at {frequency_text(frequency_hz)} is too fast"
                    " for its filter",
                    next_step="look at the analyser's settings: a loss made of this sweep would be wrong",
                )
            yield float(trace.level_dbm.max()), checks(status)

    # budget

    @property
    def _middle_hz(self) -> float:
        """Where the lengths of ripples are taken, so that all points share them."""
        return (self._settings.from_.hz + self._settings.to.hz) / 2

    def least(self, frequency_hz: float) -> Loss:
        """Return the loss that the bench file expects, with the budget that it gets but for its scatter."""
        loss_db = self.path.loss_db(frequency_hz, pad_db=self._settings.pad.db)
        sent_dbm = self._settings.level.dbm
        levels = _Level(dbm=sent_dbm, sd_db=0.0), _Level(dbm=sent_dbm - loss_db, sd_db=0.0)
        return Loss(frequency_hz=frequency_hz, loss_db=loss_db, budget=self._budget(frequency_hz, *levels))

    def _budget(self, frequency_hz: float, before: _Level, after: _Level) -> Budget:
        lines = (
            self._repeatability(),
            self._linearity(before.dbm - after.dbm),
            *self._zero_left(before.dbm, after.dbm),
            *self._connections(),
            *self._mismatch(frequency_hz),
            self._scatter("scatter of the reference", before),
            self._scatter("scatter through the path", after),
        )
        return self._bench.budget("dB", lines)

    def _scatter(self, quantity: str, level: _Level) -> BudgetLine:
        count = self._settings.readings
        return scatter_line(
            quantity,
            level.sd_db / math.sqrt(count),
            unit="dB",
            freedom=float(count - 1),
            source=f"{count} readings",
        )

    def _repeatability(self) -> BudgetLine:
        figure, quantity = self._generator.figure("repeatability"), "generator returns to its level"
        if figure is None:
            return missing_line(quantity, f"no repeatability for {self._generator.name} in the bench file")
        # The level was set twice.
        return figure.line(quantity, sensitivity=math.sqrt(2.0))

    def _linearity(self, loss_db: float) -> BudgetLine:
        most, slope = self._sensor.figure("linearity"), self._sensor.figure("linearity_per_10db")
        quantity, shared = f"linearity of {self._sensor.name}", f"{self._sensor.name} scale"
        if slope is not None and (most is None or slope.limit * abs(loss_db) / 10 <= most.limit):
            return slope.line(quantity, sensitivity=round(loss_db) / 10, shared=shared)
        if most is not None:
            return most.line(quantity, shared=shared)
        return missing_line(
            quantity, f"no linearity for {self._sensor.name} in the bench file", shared=shared
        )

    def _zero_left(self, before_dbm: float, after_dbm: float) -> Iterator[BudgetLine]:
        if self._by_analyser:
            return
        figure, quantity = self._sensor.figure("zero"), f"zero of {self._sensor.name}"
        if figure is None:
            yield missing_line(quantity, f"no zero for {self._sensor.name} in the bench file", unit="W")
            return
        per_w = [DB_PER_NEPER / 10 ** ((dbm - 30) / 10) for dbm in (before_dbm, after_dbm)]
        yield figure.line(quantity, sensitivity=float(f"{per_w[0] - per_w[1]:.3g}"), shared=quantity)

    def _connections(self) -> Iterator[BudgetLine]:
        first = self._far_end if self._by_analyser else f"{self._generator.name} output"
        for plane in dict.fromkeys((first, self._port, self._far_end)):
            spec = self._bench.planes.get(plane)
            figure = spec.repeatability if spec is not None else None
            quantity = f"connection at {plane}"
            if figure is None:
                source = f"no repeatability for the plane {plane} in the bench file"
                yield missing_line(quantity, source, shared=quantity)
            else:
                yield figure.line(quantity, shared=quantity)

    def _mismatch(self, frequency_hz: float) -> Iterator[BudgetLine]:
        source, load = self._reflection(self._generator), self._reflection(self._sensor)
        names = self._generator.name, self._sensor.name
        quantity = f"mismatch {names[0]} - {names[1]}, directly"
        if source is None or load is None:
            unknown = [name for name, side in zip(names, (source, load), strict=True) if side is None]
            yield missing_line(quantity, f"no VSWR in the bench file for {', '.join(unknown)}")
        else:
            sides = (reflection_of(port, frequency_hz) for port in (source, load))
            yield mismatch_line(
                *sides,
                quantity=quantity,
                source=f"{source.source}, {load.source}",
                shared=quantity,
            )
        path = self.path.between(source, load)
        pairs = [
            replace(
                pair,
                before=names[0] if pair.before == RADIO else pair.before,
                behind=names[1] if pair.behind == ANALYSER else pair.behind,
            )
            for pair in interfaces(path, frequency_hz, pad_db=self._settings.pad.db, near_hz=self._middle_hz)
            if pair.before == RADIO or (pair.behind == ANALYSER and not self._by_analyser)
        ]
        yield from mismatch_lines(path, pairs, frequency_hz, ends=names)

    @staticmethod
    def _reflection(spec: InstrumentSpec) -> PortReflection | None:
        return of_vswr(spec.accuracy, spec.name)


def _one(bench: Bench, instrument_class: str) -> InstrumentSpec:
    for spec in bench.of_class(instrument_class):
        return spec
    raise BenchError(f"bench {bench.name!r} has no {instrument_class.replace('_', ' ')}")
