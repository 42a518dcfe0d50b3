"""What a modulated stream leaves in the channels beside it: relative to its own power, and in 1 MHz."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from hilkit.analysis import neighbours
from hilkit.procedures.budgets import with_unit
from hilkit.procedures.contract import Band, Exposure, Need, Procedure
from hilkit.procedures.evidence.state import scatter_db, settled_check
from hilkit.procedures.leakage import SIDES, Leak, Shoulders
from hilkit.procedures.receiver import with_evidence
from hilkit.procedures.streams import (
    Stream,
    StreamSettings,
    misfits_of_stream,
    stream_exposures,
    stream_state,
)
from hilkit.quantities import Between, Frequency, Level, Ratio
from hilkit.readings import Bound, Measured, ReadingSpec

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["AdjacentLeakage", "AdjacentLeakageSettings"]

_SWEEP_S = 1.4
_SETTINGS = 3
_MARGIN_HZ = 1e6

_PLACES = {
    name: f"{'first' if which == 0 else 'second'} adjacent channel, {'below' if side < 0 else 'above'}"
    for name, (side, which) in SIDES.items()
}


class AdjacentLeakageSettings(StreamSettings):
    """What the step can be told."""

    bandwidth: Annotated[
        Frequency, Between(above="0 Hz"), Field(description="channel bandwidth of the carrier")
    ]
    configuration: Annotated[
        Frequency,
        Between(above="0 Hz"),
        Field(description="transmission bandwidth configuration: in this width the carrier's power counts"),
    ]
    adjacent: Annotated[
        Literal["nr", "e_utra_5", "rrc_3_84"],
        Field(
            description="what is beside it: a carrier like this one (also E-UTRA beside E-UTRA), E-UTRA of 5 "
            "MHz, or a 3.84 Mcps carrier behind its root-raised-cosine filter"
        ),
    ] = "nr"
    relative_limit: Annotated[
        Annotated[Ratio, Between(low="0 dB")] | None,
        Field(description="least ratio that is asked for; with it or absolute_limit there is leakage_margin"),
    ] = None
    absolute_limit: Annotated[
        Level | None,
        Field(description="highest mean power in 1 MHz of an adjacent channel that is allowed anyway"),
    ] = None


class AdjacentLeakage(Procedure[AdjacentLeakageSettings]):
    """The same sweeps at three input attenuations or more, the floor of each measured and subtracted."""

    name = "adjacent_leakage"
    summary = "power in the first and second adjacent channels, relative and absolute"
    settings_model = AdjacentLeakageSettings
    readings = (
        ReadingSpec(name="carrier_power", unit="dBm", meaning="power in the configuration at the radio port"),
        *(
            ReadingSpec(
                name=f"aclr_{name}", unit="dB", meaning=f"power of the carrier over that in the {place}"
            )
            for name, place in _PLACES.items()
        ),
        *(
            ReadingSpec(name=f"leakage_{name}", unit="dBm", meaning=f"mean power in 1 MHz of the {place}")
            for name, place in _PLACES.items()
        ),
        ReadingSpec(
            name="leakage_margin",
            unit="dB",
            meaning="of the channel that is nearest to its limits: how far the better of both is met",
        ),
    )
    needs = (
        Need(instrument_class="signal_analyser"),
        Need(instrument_class="radio", capabilities=("waveform",)),
    )
    establishes_state = False

    def envelope(self, settings: AdjacentLeakageSettings, bench: Bench) -> Iterable[Exposure]:
        """The stream at its level, and the same with RF off for the floors."""
        off_s, on_s = _SETTINGS * _SWEEP_S, (_SETTINGS + 1) * _SWEEP_S
        return stream_exposures(settings, bench, off_s=off_s, on_s=on_s)

    def misfits(self, settings: AdjacentLeakageSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse a carrier that the radio cannot use, and neighbours that cannot be swept."""
        if settings.configuration.hz > settings.bandwidth.hz:
            yield (
                "configuration",
                f"{settings.configuration} is wider than the channel of {settings.bandwidth}: the carrier's "
                "resource blocks lie inside its channel",
            )
        yield from misfits_of_stream(settings, bench, *_span(settings))

    def reads(self, settings: AdjacentLeakageSettings, bench: Bench) -> Iterator[Band]:
        """The span that is swept."""
        low_hz, high_hz = _span(settings)
        pad_db = stream_state(settings, bench).pad_db
        yield Band(channel=settings.channel, low_hz=low_hz, high_hz=high_hz, pad_db=pad_db)

    def yields(self, settings: AdjacentLeakageSettings) -> Iterable[tuple[str, str]]:
        """No margin where there is nothing to be met."""
        limited = settings.relative_limit is not None or settings.absolute_limit is not None
        return [each for each in super().yields(settings) if limited or each[0] != "leakage_margin"]

    def measure(self, session: Session, settings: AdjacentLeakageSettings) -> Iterator[Measured]:
        """Search the best input attenuation, and read all four neighbours there."""
        stream = Stream(session, settings, self)
        beside = neighbours(
            settings.adjacent,
            bandwidth_hz=settings.bandwidth.hz,
            configuration_hz=settings.configuration.hz,
        )
        shoulders = Shoulders(
            stream, beside, configuration_hz=settings.configuration.hz, span_hz=_span(settings)
        )
        leaks = shoulders.search()
        carrier = shoulders.carrier(leaks)
        again = shoulders.repeat()
        shared = (
            *shoulders.evidence,
            settled_check(
                again.level_dbm - carrier.power.level_dbm,
                scatter_db(again.sd_db, carrier.power.sd_db),
                what="the power",
            ),
            stream.references.check(),
        )
        readings = [carrier.measured(), *_readings(leaks)]
        readings += _margin(settings, readings)
        for measured in readings:
            yield with_evidence(measured, shared)


def _readings(leaks: dict[str, Leak]) -> Iterator[Measured]:
    for name, leak in leaks.items():
        yield Measured(
            name=f"aclr_{name}",
            value=leak.ratio_db,
            bound=Bound.LOWER if leak.bound is Bound.UPPER else Bound.EXACT,
            confidence=leak.confidence,
            note=leak.note,
            trace=leak.trace if name == "lower" else None,
            evidence=leak.evidence,
            budget=leak.ratio_budget,
        )
    for name, leak in leaks.items():
        yield Measured(
            name=f"leakage_{name}",
            value=leak.in_1_mhz_dbm,
            bound=leak.bound,
            confidence=leak.confidence,
            note=leak.note,
            evidence=leak.evidence,
            budget=leak.budget,
        )


def _margin(settings: AdjacentLeakageSettings, readings: list[Measured]) -> list[Measured]:
    """The better of both margins counts in each channel, and of all channels the worst."""
    by_name = {measured.name: measured for measured in readings}
    found: list[Measured] = []
    for name in SIDES:
        ways: list[Measured] = []
        if settings.relative_limit is not None:
            ratio = by_name[f"aclr_{name}"]
            limit = f"relative limit, {_PLACES[name]}"
            ways.append(replace(ratio, value=ratio.value - settings.relative_limit.db, note=limit))
        if settings.absolute_limit is not None:
            leak = by_name[f"leakage_{name}"]
            bound = Bound.LOWER if leak.bound is Bound.UPPER else Bound.EXACT
            limit = f"absolute limit, {_PLACES[name]}"
            ways.append(
                replace(leak, value=settings.absolute_limit.dbm - leak.value, bound=bound, note=limit)
            )
        if ways:
            found.append(max(ways, key=lambda each: each.value))
    if not found:
        return []
    worst = min(found, key=lambda each: each.value)
    return [replace(worst, name="leakage_margin", trace=None, budget=with_unit(worst.budget, "dB"))]


def _span(settings: AdjacentLeakageSettings) -> tuple[float, float]:
    _, second = neighbours(
        settings.adjacent, bandwidth_hz=settings.bandwidth.hz, configuration_hz=settings.configuration.hz
    )
    half_hz = max(second.offset_hz + second.reach_hz, settings.configuration.hz / 2) + _MARGIN_HZ
    return settings.carrier.hz - half_hz, settings.carrier.hz + half_hz
