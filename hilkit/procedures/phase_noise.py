"""The noise beside a tone: density at offsets, integrated, as phase and as jitter.

The analyser's own phase noise and floor add to the unit's, in power. So every reading is an upper bound of
what the unit does.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from hilkit.analysis.phase_noise import (
    NoiseDensity,
    density_in,
    integrated_ssb_dbc,
    rms_jitter_s,
    rms_phase_rad,
)
from hilkit.errors import MeasurementError
from hilkit.procedures.budgets import ratio_budget, scatter_line
from hilkit.procedures.contract import Band, Exposure, Need, Procedure, Settings
from hilkit.procedures.evidence import References, drift_check
from hilkit.procedures.evidence.state import scatter_db
from hilkit.procedures.fields import Attenuation, Carrier, Channel, Drive, Offset, Pad
from hilkit.procedures.points import TonePoint, TonePoints
from hilkit.procedures.receiver import Receiver, check_pad, mute_others, prepare_analyser, with_evidence
from hilkit.procedures.states import misfits_of_band, misfits_of_carrier, pad_for
from hilkit.procedures.sweeps import narrow_sweep, nice_rbw_hz
from hilkit.quantities import Between, Frequency, FullScaleLevel
from hilkit.readings import Bound, Budget, Evidence, Measured, ReadingSpec, Trace
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["PhaseNoise", "PhaseNoiseSettings"]

_OFFSET_PER_RBW = 30.0
"""How far off the tone stands, in filter widths: a four-pole filter is 100 dB down there too."""

_SAMPLES = 100.0
_SPAN_RBW = 10.0
_EACH_S = 2.0
_CONFIDENCE = 0.977
_DB_TO_PART = math.log(10) / 20


class PhaseNoiseSettings(Settings):
    """What the step can be told."""

    channel: Channel
    carrier: Carrier
    offset: Offset
    attenuation: Attenuation
    lowest: Annotated[
        Frequency,
        Between(low="1 kHz"),
        Field(description="lowest offset from the tone, where the integral begins"),
    ] = Frequency(10e3)
    highest: Annotated[
        Frequency,
        Between(low="1 kHz"),
        Field(description="highest offset from the tone, where the integral ends"),
    ] = Frequency(1e6)
    per_decade: Annotated[
        int, Field(ge=1, le=10, description="offsets in each decade, evenly over the logarithm")
    ] = 2
    drive: Drive = FullScaleLevel(-6.0)
    pad: Pad = None


class PhaseNoise(Procedure[PhaseNoiseSettings]):
    """Single-sideband noise above the tone, at offsets that rise evenly over the logarithm."""

    name = "phase_noise"
    summary = "noise beside a tone: dBc/Hz at offsets, integrated, rms phase, rms jitter"
    settings_model = PhaseNoiseSettings
    readings = (
        ReadingSpec(
            name="phase_noise",
            unit="dBc/Hz",
            meaning="noise density above the tone, against the tone",
            series=True,
            index_name="offset from the tone",
            index_unit="Hz",
        ),
        ReadingSpec(
            name="integrated_phase_noise",
            unit="dBc",
            meaning="power of one sideband from the lowest offset to the highest",
        ),
        ReadingSpec(name="rms_phase", unit="deg", meaning="rms phase of both sidebands over these offsets"),
        ReadingSpec(name="rms_jitter", unit="s", meaning="that phase as a time of the tone"),
    )
    needs = (Need(instrument_class="signal_analyser"), Need(instrument_class="radio", capabilities=("tone",)))
    establishes_state = False

    def envelope(self, settings: PhaseNoiseSettings, bench: Bench) -> Iterable[Exposure]:
        """The tone at its level."""
        yield Exposure(state=_state(settings, bench), expected_s=_EACH_S * len(_offsets_hz(settings)))

    def misfits(self, settings: PhaseNoiseSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse offsets that fall, reach the carrier or leave the band, and a path without loss there."""
        yield from misfits_of_carrier(bench, settings.carrier.hz)
        if settings.highest.hz <= settings.lowest.hz:
            yield "highest", f"{settings.highest} is not above {settings.lowest}, where the offsets begin"
        tone_hz, reach_hz = settings.offset.hz, 2 * settings.highest.hz
        if abs(tone_hz) <= reach_hz or abs(tone_hz) + reach_hz > bench.radio.bandwidth_hz / 2:
            yield (
                "offset",
                f"the noise is read up to {settings.highest} beside the tone: it has to stand twice as far "
                f"from the carrier and from the end of the band of {bench.radio.bandwidth_hz / 1e6:g} MHz",
            )
        yield from misfits_of_band(bench, settings.channel, *_band(settings))

    def reads(self, settings: PhaseNoiseSettings, bench: Bench) -> Iterator[Band]:
        """The surroundings of the tone."""
        low_hz, high_hz = _band(settings)
        pad_db = _state(settings, bench).pad_db
        yield Band(channel=settings.channel, low_hz=low_hz, high_hz=high_hz, pad_db=pad_db)

    def measure(self, session: Session, settings: PhaseNoiseSettings) -> Iterator[Measured]:
        """Read the tone, then the density at every offset, then the tone again."""
        for setting, sentence in self.misfits(settings, session.bench):
            raise MeasurementError(f"phase_noise: {setting}: {sentence}", next_step="choose another value")
        state = _state(settings, session.bench)
        prepare_analyser(session)
        check_pad(session, settings.channel, state.pad_db)
        session.select(settings.channel)
        mute_others(session, settings.channel)
        references = References(session)
        reader = TonePoints(session, (state,))
        tone = reader.read(state)
        found = [_noise(reader.receiver, tone, offset_hz) for offset_hz in _offsets_hz(settings)]
        again = reader.read(state)
        drift = drift_check(
            again.port_dbm - tone.port_dbm,
            scatter_db(again.reading.sd_db, tone.reading.sd_db),
            what="the tone",
        )
        common = (*tone.evidence, drift, references.check())
        for measured in (*map(_reading, found), *_integrated(found, tone)):
            yield with_evidence(measured, common)


@dataclass(frozen=True, kw_only=True)
class _Noise:
    """The density at one offset against the tone, raised by its own scatter."""

    offset_hz: float
    dbc_per_hz: float
    trace: Trace
    budget: Budget
    evidence: tuple[Evidence, ...]


def _noise(receiver: Receiver, tone: TonePoint, offset_hz: float) -> _Noise:
    rbw_hz = nice_rbw_hz(offset_hz / _OFFSET_PER_RBW, receiver.limits)
    # The tone is where it was found: an error of the reference must not count as an offset.
    tone_hz = float(tone.trace.frequency_hz[int(tone.trace.level_dbm.argmax())])
    setup = narrow_sweep(
        tone_hz + offset_hz,
        rbw_hz=rbw_hz,
        at=receiver.range,
        limits=receiver.limits,
        span_rbw=_SPAN_RBW,
        samples=_SAMPLES,
    )
    trace, evidence = receiver.sweep(setup)
    low_hz, high_hz = float(trace.frequency_hz[0]), float(trace.frequency_hz[-1])
    density = density_in(trace, low_hz=low_hz, high_hz=high_hz)
    return _Noise(
        offset_hz=offset_hz,
        dbc_per_hz=density.dbm_per_hz + 2 * density.sd_db - tone.reading.level_dbm,
        trace=trace,
        budget=_budget(receiver, tone, trace),
        evidence=(*evidence, _line_check(density, offset_hz)),
    )


def _budget(receiver: Receiver, tone: TonePoint, trace: Trace) -> Budget:
    """Return the budget of a density against the tone; its scatter is in the bound."""
    budgets, frequency_hz = receiver.budgets, tone.frequency_hz
    lines = (
        *budgets.common(trace, frequency_hz=frequency_hz, pad_db=receiver.pad_db),
        *budgets.scale(trace, float(trace.level_dbm.mean())),
        budgets.noise_bandwidth(),
        scatter_line("noise", 0.0, unit="dB", freedom=math.inf, source="counted in the bound itself"),
    )
    return ratio_budget(budgets.of("dBm", lines), tone.budget, "dBc/Hz")


def _reading(noise: _Noise) -> Measured:
    return Measured(
        name="phase_noise",
        value=noise.dbc_per_hz,
        index=noise.offset_hz,
        bound=Bound.UPPER,
        confidence=_CONFIDENCE,
        trace=noise.trace,
        evidence=noise.evidence,
        budget=noise.budget,
    )


def _integrated(found: list[_Noise], tone: TonePoint) -> Iterator[Measured]:
    ssb_dbc = integrated_ssb_dbc([each.offset_hz for each in found], [each.dbc_per_hz for each in found])
    phase_rad = rms_phase_rad(ssb_dbc)
    evidence = tuple(check for each in found for check in each.evidence)
    # All offsets share their errors but those of the filter: the least known of them stands for all.
    budget = max((each.budget for each in found), key=_size)
    note = (
        f"from {found[0].offset_hz:g} to {found[-1].offset_hz:g} Hz; the analyser's own phase noise and "
        "floor are in it"
    )
    for name, unit, value in (
        ("integrated_phase_noise", "dBc", ssb_dbc),
        ("rms_phase", "deg", math.degrees(phase_rad)),
        ("rms_jitter", "s", rms_jitter_s(phase_rad, tone.frequency_hz)),
    ):
        factor = 1.0 if unit == "dBc" else value * _DB_TO_PART
        lines = (replace(line, sensitivity=line.sensitivity * factor) for line in budget.lines)
        yield Measured(
            name=name,
            value=value,
            bound=Bound.UPPER,
            confidence=_CONFIDENCE,
            note=note,
            evidence=evidence,
            budget=replace(budget, unit=unit, lines=tuple(lines)),
        )


def _size(budget: Budget) -> float:
    return math.fsum(line.contribution**2 for line in budget.lines)


def _line_check(density: NoiseDensity, offset_hz: float) -> Evidence:
    held = density.line_over_db <= 0
    sentence = f"at {offset_hz:g} Hz from the tone stands noise alone"
    if not held:
        sentence = (
            f"near {offset_hz:g} Hz from the tone a line stands {density.line_over_db:.1f} dB above what "
            "noise explains: it is no density"
        )
    return Evidence(
        name="no line in the noise",
        held=held,
        observed=f"highest point {density.line_over_db:+.1f} dB against what noise explains",
        required="at most 0 dB",
        sentence=sentence,
    )


def _offsets_hz(settings: PhaseNoiseSettings) -> list[float]:
    decades = math.log10(max(settings.highest.hz / settings.lowest.hz, 1.0))
    count = max(1, round(decades * settings.per_decade))
    ratio = settings.highest.hz / settings.lowest.hz
    return [settings.lowest.hz * ratio ** (number / count) for number in range(count + 1)]


def _band(settings: PhaseNoiseSettings) -> tuple[float, float]:
    tone_hz = settings.carrier.hz + settings.offset.hz
    reach_hz = 2 * settings.highest.hz
    return tone_hz - reach_hz, tone_hz + reach_hz


def _state(settings: PhaseNoiseSettings, bench: Bench) -> RfState:
    return RfState(
        channel=settings.channel,
        carrier_hz=settings.carrier.hz,
        attenuation_db=settings.attenuation.db,
        drive_dbfs=settings.drive.dbfs,
        tone_offset_hz=settings.offset.hz,
        pad_db=pad_for(
            bench,
            channel=settings.channel,
            carrier_hz=settings.carrier.hz,
            attenuation_db=settings.attenuation.db,
            pad=settings.pad,
        ),
    )
