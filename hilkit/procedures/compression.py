"""Output over drive: the line of small signals, the compression at the highest drive, and the 1 dB point."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

from pydantic import ConfigDict, Field

from hilkit.analysis.compression import CompressionCurve, compression_curve
from hilkit.errors import MeasurementError
from hilkit.procedures.budgets import scatter_line
from hilkit.procedures.contract import Band, Exposure, Need, Procedure, Settings
from hilkit.procedures.evidence import References, drift_check
from hilkit.procedures.evidence.attenuation import COVER
from hilkit.procedures.evidence.state import scatter_db
from hilkit.procedures.fields import Attenuation, Carrier, Channel, Offset, Pad
from hilkit.procedures.least import Least
from hilkit.procedures.points import TonePoint, TonePoints
from hilkit.procedures.receiver import check_pad, mute_others, prepare_analyser, with_evidence
from hilkit.procedures.states import misfits_of_band, misfits_of_carrier, pad_for
from hilkit.quantities import Between, FullScaleLevel, Ratio
from hilkit.readings import Bound, Budget, BudgetLine, Evidence, Measured, ReadingSpec
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["Compression", "CompressionSettings"]

_BAND_HZ = 1e6
_POINT_S = 0.6
_MOST_POINTS = 100
_SLOPE_WITHIN = 0.02
_ONE_DB = 1.0


class CompressionSettings(Settings):
    """What the step can be told."""

    model_config = ConfigDict(populate_by_name=True)

    channel: Channel
    carrier: Carrier
    offset: Offset
    attenuation: Attenuation
    from_: Annotated[
        FullScaleLevel,
        Between(low="-60 dBFS", high="0 dBFS"),
        Field(alias="from", description="lowest drive"),
    ] = FullScaleLevel(-24.0)
    to: Annotated[
        FullScaleLevel, Between(low="-60 dBFS", high="0 dBFS"), Field(description="highest drive")
    ] = FullScaleLevel(0.0)
    step: Annotated[Ratio, Between(low="0.1 dB"), Field(description="step of the drive")] = Ratio(2.0)
    small_signal_range: Annotated[
        Ratio,
        Between(above="0 dB"),
        Field(
            description="the line of small signals is fitted to the points within this of the lowest drive"
        ),
    ] = Ratio(8.0)
    pad: Pad = None


class Compression(Procedure[CompressionSettings]):
    """P1dB by a fitted small-signal line, at a fixed transmit attenuation and analyser range."""

    name = "compression"
    summary = "output over drive: small-signal line, compression at the highest drive, 1 dB point"
    settings_model = CompressionSettings
    readings = (
        ReadingSpec(
            name="level",
            unit="dBm",
            meaning="level of the tone at the radio port",
            series=True,
            index_name="drive",
            index_unit="dBFS",
        ),
        ReadingSpec(
            name="compression",
            unit="dB",
            meaning="how far the level at the highest drive lies under the line of small signals",
        ),
        ReadingSpec(
            name="output_p1db",
            unit="dBm",
            meaning="level 1 dB under that line; a lower bound, the highest level, where none is",
        ),
    )
    needs = (Need(instrument_class="signal_analyser"), Need(instrument_class="radio", capabilities=("tone",)))
    establishes_state = False

    def envelope(self, settings: CompressionSettings, bench: Bench) -> Iterable[Exposure]:
        """The tone at every drive."""
        for state in _states(settings, bench):
            yield Exposure(state=state, expected_s=_POINT_S)

    def misfits(self, settings: CompressionSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse a range that is no range, too few points for the line, a tone outside the band."""
        yield from misfits_of_carrier(bench, settings.carrier.hz)
        points = len(_drives(settings))
        low = sum(
            each <= settings.from_.dbfs + settings.small_signal_range.db + 1e-9 for each in _drives(settings)
        )
        if settings.to.dbfs <= settings.from_.dbfs:
            yield "to", f"{settings.to} is not above {settings.from_}, where the drive starts"
        elif points > _MOST_POINTS:
            yield "step", f"{points} points are more than the {_MOST_POINTS} that a step may take"
        elif low < 3 or low == points:
            yield (
                "small_signal_range",
                f"{low} of {points} points lie within it: at least 3 are needed for the line, one beyond it",
            )
        if not 0 < abs(settings.offset.hz) <= bench.radio.bandwidth_hz / 2:
            yield (
                "offset",
                "the tone must be off the carrier, by at most half of "
                f"{bench.radio.bandwidth_hz / 1e6:g} MHz",
            )
        yield from misfits_of_band(bench, settings.channel, *_band(settings))

    def reads(self, settings: CompressionSettings, bench: Bench) -> Iterator[Band]:
        """The surroundings of the tone."""
        low_hz, high_hz = _band(settings)
        pad_db = _states(settings, bench)[0].pad_db
        yield Band(channel=settings.channel, low_hz=low_hz, high_hz=high_hz, pad_db=pad_db)

    def least_budget(
        self, name: str, settings: CompressionSettings, bench: Bench, nearest: float
    ) -> Budget | None:
        """The level with all of path and analyser; of the compression the scale alone."""
        least = Least(bench, _states(settings, bench)[-1])
        if name == "compression":
            return least.step(settings.from_.dbfs - settings.to.dbfs)
        return least.level(settings.carrier.hz + settings.offset.hz)

    def measure(self, session: Session, settings: CompressionSettings) -> Iterator[Measured]:
        """Raise the drive point by point, then read the lowest once more."""
        for setting, sentence in self.misfits(settings, session.bench):
            raise MeasurementError(f"compression: {setting}: {sentence}", next_step="choose another value")
        states = _states(settings, session.bench)
        prepare_analyser(session)
        check_pad(session, settings.channel, states[0].pad_db)
        session.select(settings.channel)
        mute_others(session, settings.channel)
        session.radio.set_corrections(settings.channel, False)
        references = References(session)
        reader = TonePoints(session, tuple(reversed(states)))
        points = []
        for state in states:
            points.append(point := reader.read(state))
            yield Measured(
                name="level",
                value=point.port_dbm,
                index=state.drive_dbfs,
                evidence=point.evidence,
                budget=point.budget,
            )
        again = reader.read(states[0])
        drift = drift_check(
            again.port_dbm - points[0].port_dbm,
            scatter_db(again.reading.sd_db, points[0].reading.sd_db),
            what="the lowest point",
        )
        curve = compression_curve(
            [state.drive_dbfs for state in states],
            [point.port_dbm for point in points],
            small_signal_range_db=settings.small_signal_range.db,
        )
        evidence = (
            *(each for point in points for each in point.evidence),
            _line_check(curve, points),
            drift,
            references.check(),
        )
        for measured in _results(reader, curve, points):
            yield with_evidence(measured, evidence)


def _results(reader: TonePoints, curve: CompressionCurve, points: Sequence[TonePoint]) -> Iterator[Measured]:
    note = (
        f"small-signal line: {curve.fitted} points, {curve.gain_db:.2f} dBm at 0 dBFS, "
        f"slope {curve.slope:.4f}"
    )
    under = _under_line(reader, points[-1], points[: curve.fitted])
    yield Measured(
        name="compression",
        value=float(curve.compression_db[-1]),
        note=note,
        budget=Budget(unit="dB", lines=tuple(under)),
    )
    found = curve.point(_ONE_DB)
    if found is None:
        told = f"1 dB is not reached at the highest drive, where {curve.compression_db[-1]:.2f} dB are seen"
        yield Measured(
            name="output_p1db",
            value=points[-1].port_dbm,
            bound=Bound.LOWER,
            note=f"{told}; {note}",
            trace=points[-1].trace,
            budget=points[-1].budget,
        )
        return
    drive_dbfs, level_dbm = found
    after = max(1, int((curve.input_db < drive_dbfs).sum()))
    slope = (curve.output_dbm[after] - curve.output_dbm[after - 1]) / (
        curve.compression_db[after] - curve.compression_db[after - 1]
    )
    moved = tuple(replace(line, sensitivity=line.sensitivity * float(slope), shared="") for line in under)
    point = points[after]
    yield Measured(
        name="output_p1db",
        value=level_dbm,
        note=f"at a drive of {drive_dbfs:.2f} dBFS; {note}",
        trace=point.trace,
        budget=replace(point.budget, lines=(*point.budget.lines, *moved)),
    )


def _under_line(reader: TonePoints, top: TonePoint, low: Sequence[TonePoint]) -> Iterator[BudgetLine]:
    """Yield what is left between the highest point and the mean of those that make the line."""
    budgets = reader.receiver.budgets
    # One cause with two sensitivities: the scale counts over the distance of the levels.
    apart_db = top.reading.level_dbm - sum(each.reading.level_dbm for each in low) / len(low)
    for line in budgets.scale(top.trace, top.trace.reference_level_dbm - apart_db):
        yield replace(line, shared="")
    for line in budgets.compression(top.trace, top.reading.level_dbm):
        yield replace(line, shared="")
    noise = math.hypot(top.reading.sd_db, *(each.reading.sd_db / len(low) for each in low))
    yield scatter_line(
        "noise", noise, unit="dB", freedom=len(low), source="scatter of the highest point and of the line"
    )


def _line_check(curve: CompressionCurve, points: Sequence[TonePoint]) -> Evidence:
    span_db = float(curve.input_db[curve.fitted - 1] - curve.input_db[0])
    sd = scatter_db(points[0].reading.sd_db, points[curve.fitted - 1].reading.sd_db) / span_db
    held = abs(curve.slope - 1) <= _SLOPE_WITHIN + COVER * sd
    sentence = f"the {curve.fitted} lowest points follow the drive with {curve.slope:.3f} dB per dB"
    if not held:
        sentence += ": they are no small signals, or the level does not follow the drive"
    return Evidence(
        name="small-signal line",
        held=held,
        observed=f"{curve.slope:.4f} dB per dB, standard uncertainty {sd:.2g}",
        required=f"1 +- {_SLOPE_WITHIN:g} dB per dB",
        sentence=sentence,
    )


def _drives(settings: CompressionSettings) -> list[float]:
    whole = settings.to.dbfs - settings.from_.dbfs
    count = math.floor(whole / settings.step.db + 1e-9)
    drives = [settings.from_.dbfs + number * settings.step.db for number in range(max(0, count) + 1)]
    if whole > 0 and settings.to.dbfs - drives[-1] > 1e-6:
        drives.append(settings.to.dbfs)
    return drives


def _band(settings: CompressionSettings) -> tuple[float, float]:
    tone_hz = settings.carrier.hz + settings.offset.hz
    return tone_hz - _BAND_HZ / 2, tone_hz + _BAND_HZ / 2


def _states(settings: CompressionSettings, bench: Bench) -> list[RfState]:
    pad_db = pad_for(
        bench,
        channel=settings.channel,
        carrier_hz=settings.carrier.hz,
        attenuation_db=settings.attenuation.db,
        pad=settings.pad,
    )
    return [
        RfState(
            channel=settings.channel,
            carrier_hz=settings.carrier.hz,
            attenuation_db=settings.attenuation.db,
            drive_dbfs=drive_dbfs,
            tone_offset_hz=settings.offset.hz,
            pad_db=pad_db,
        )
        for drive_dbfs in _drives(settings)
    ]
