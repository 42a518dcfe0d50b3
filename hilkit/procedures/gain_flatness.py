"""The level of one and the same tone at places across the band: how flat the transmitter is."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from hilkit.analysis.flatness import flatness
from hilkit.errors import MeasurementError
from hilkit.procedures.budgets import ratio_budget
from hilkit.procedures.contract import Band, Exposure, Need, Procedure, Settings
from hilkit.procedures.evidence import References, drift_check
from hilkit.procedures.evidence.state import scatter_db
from hilkit.procedures.fields import Attenuation, Carrier, Channel, Drive, Pad
from hilkit.procedures.least import Least
from hilkit.procedures.points import TonePoint, TonePoints
from hilkit.procedures.receiver import check_pad, mute_others, prepare_analyser, with_evidence
from hilkit.procedures.states import misfits_of_band, misfits_of_carrier, pad_for
from hilkit.quantities import Between, Frequency, FullScaleLevel
from hilkit.readings import Budget, Measured, ReadingSpec
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["GainFlatness", "GainFlatnessSettings"]

_POINT_S = 0.6
_EDGE_HZ = 0.5e6


class GainFlatnessSettings(Settings):
    """What the step can be told."""

    channel: Channel
    carrier: Carrier
    bandwidth: Annotated[
        Frequency,
        Between(above="0 Hz"),
        Field(description="width around the carrier over which the level is to be flat"),
    ]
    points: Annotated[
        int,
        Field(
            ge=2,
            le=100,
            description="places of the tone, evenly over the bandwidth; none falls on the carrier",
        ),
    ] = 10
    attenuation: Attenuation
    drive: Drive = FullScaleLevel(-6.0)
    pad: Pad = None


class GainFlatness(Procedure[GainFlatnessSettings]):
    """The spread of levels over a band, path and analyser held fixed."""

    name = "gain_flatness"
    summary = "level of a tone across a band: highest less lowest, and the tilt"
    settings_model = GainFlatnessSettings
    readings = (
        ReadingSpec(
            name="gain",
            unit="dB",
            meaning="level of the tone against that nearest to the carrier",
            series=True,
            index_name="offset",
            index_unit="Hz",
        ),
        ReadingSpec(name="flatness", unit="dB", meaning="highest less lowest level over the band"),
        ReadingSpec(
            name="tilt", unit="dB", meaning="what the fitted line rises from the lower edge to the upper"
        ),
    )
    needs = (Need(instrument_class="signal_analyser"), Need(instrument_class="radio", capabilities=("tone",)))
    establishes_state = False

    def envelope(self, settings: GainFlatnessSettings, bench: Bench) -> Iterable[Exposure]:
        """The tone at every place."""
        for state in _states(settings, bench):
            yield Exposure(state=state, expected_s=_POINT_S)

    def misfits(self, settings: GainFlatnessSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse a carrier or bandwidth that the radio cannot use, and a path without loss there."""
        yield from misfits_of_carrier(bench, settings.carrier.hz)
        if settings.bandwidth.hz > bench.radio.bandwidth_hz:
            yield (
                "bandwidth",
                f"{settings.bandwidth} is wider than the {bench.radio.bandwidth_hz / 1e6:g} MHz that the "
                "radio can use",
            )
        yield from misfits_of_band(bench, settings.channel, *_band(settings))

    def reads(self, settings: GainFlatnessSettings, bench: Bench) -> Iterator[Band]:
        """The whole band."""
        low_hz, high_hz = _band(settings)
        pad_db = _states(settings, bench)[0].pad_db
        yield Band(channel=settings.channel, low_hz=low_hz, high_hz=high_hz, pad_db=pad_db)

    def least_budget(
        self, name: str, settings: GainFlatnessSettings, bench: Bench, nearest: float
    ) -> Budget | None:
        """What path and analyser may differ by over the band."""
        least, half_hz = Least(bench, _states(settings, bench)[0]), settings.bandwidth.hz / 2
        centre_hz = settings.carrier.hz
        return least.ratio(centre_hz + half_hz, centre_hz - half_hz, 0.0, "dB")

    def measure(self, session: Session, settings: GainFlatnessSettings) -> Iterator[Measured]:
        """Move the tone from the lower edge to the upper, then back to the first place."""
        for setting, sentence in self.misfits(settings, session.bench):
            raise MeasurementError(f"gain_flatness: {setting}: {sentence}", next_step="choose another value")
        states = _states(settings, session.bench)
        prepare_analyser(session)
        check_pad(session, settings.channel, states[0].pad_db)
        session.select(settings.channel)
        mute_others(session, settings.channel)
        references = References(session)
        reader = TonePoints(session, states)
        points = [reader.read(state) for state in states]
        again = reader.read(states[0])
        drift = drift_check(
            again.port_dbm - points[0].port_dbm,
            scatter_db(again.reading.sd_db, points[0].reading.sd_db),
            what="the tone at the first place",
        )
        evidence = (*(each for point in points for each in point.evidence), drift, references.check())
        for measured in _results(points):
            yield with_evidence(measured, evidence)


def _results(points: Sequence[TonePoint]) -> Iterator[Measured]:
    middle = min(points, key=lambda point: abs(point.state.tone_offset_hz or 0.0))
    for point in points:
        if point is not middle:
            yield Measured(
                name="gain",
                value=point.port_dbm - middle.port_dbm,
                index=point.state.tone_offset_hz,
                budget=ratio_budget(point.budget, middle.budget, "dB"),
            )
    found = flatness([point.frequency_hz for point in points], [point.port_dbm for point in points])
    high, low = points[found.highest], points[found.lowest]
    budget = ratio_budget(high.budget, low.budget, "dB")
    yield Measured(
        name="flatness",
        value=found.spread_db,
        note=f"highest at {high.frequency_hz / 1e6:.6g} MHz, lowest at {low.frequency_hz / 1e6:.6g} MHz",
        trace=low.trace,
        budget=budget,
    )
    yield Measured(
        name="tilt", value=found.tilt_db, budget=ratio_budget(points[-1].budget, points[0].budget, "dB")
    )


def _band(settings: GainFlatnessSettings) -> tuple[float, float]:
    half_hz = settings.bandwidth.hz / 2 + _EDGE_HZ
    return settings.carrier.hz - half_hz, settings.carrier.hz + half_hz


def _offsets_hz(settings: GainFlatnessSettings) -> list[float]:
    # An odd number would put one on the carrier, where the leakage stands: two take its place.
    count = settings.points + settings.points % 2
    step_hz = settings.bandwidth.hz / (count - 1)
    return [float(round(number * step_hz - settings.bandwidth.hz / 2)) for number in range(count)]


def _states(settings: GainFlatnessSettings, bench: Bench) -> list[RfState]:
    first = RfState(
        channel=settings.channel,
        carrier_hz=settings.carrier.hz,
        attenuation_db=settings.attenuation.db,
        drive_dbfs=settings.drive.dbfs,
        pad_db=pad_for(
            bench,
            channel=settings.channel,
            carrier_hz=settings.carrier.hz,
            attenuation_db=settings.attenuation.db,
            pad=settings.pad,
        ),
    )
    return [replace(first, tone_offset_hz=offset_hz) for offset_hz in _offsets_hz(settings)]
