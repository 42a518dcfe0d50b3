"""The power of a modulated stream in a bandwidth, and its density."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from hilkit.analysis import band_power
from hilkit.errors import MeasurementError
from hilkit.procedures.budgets import with_unit
from hilkit.procedures.contract import Band, Exposure, Need, Procedure, Settings
from hilkit.procedures.corrections import SETTLING_S, switch_corrections
from hilkit.procedures.evidence import References, floor_check, settled_check
from hilkit.procedures.evidence.state import scatter_db
from hilkit.procedures.fields import Attenuation, Carrier, Channel, Corrections, Deadline, Drive, Pad
from hilkit.procedures.least import Least
from hilkit.procedures.receiver import Receiver, check_pad, mute_others, prepare_analyser, with_evidence
from hilkit.procedures.states import misfits_of_band, misfits_of_carrier, misfits_of_span, pad_for
from hilkit.procedures.sweeps import wide_sweep
from hilkit.quantities import Between, Duration, Frequency, FullScaleLevel
from hilkit.readings import Bound, Budget, Measured, ReadingSpec, Trace
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["ChannelPower", "ChannelPowerSettings"]

_SPAN_PER_BANDWIDTH = 1.25
_RBW_PER_BANDWIDTH = 1 / 100
_SAMPLES = 100.0
_SWEEP_S = 0.5
_BOUND_UNDER_DB = 10.0


class ChannelPowerSettings(Settings):
    """What the step can be told."""

    channel: Channel
    carrier: Carrier
    bandwidth: Annotated[
        Frequency, Between(above="0 Hz"), Field(description="width around the carrier in which power counts")
    ]
    waveform: Annotated[
        str,
        Field(
            min_length=1,
            pattern=r"^[\w.-]+$",
            description="stream that the radio plays, by the name it knows; letters, digits, _ - . only",
        ),
    ]
    attenuation: Attenuation
    drive: Drive = FullScaleLevel(-12.0)
    pad: Pad = None
    corrections: Corrections = False
    corrections_deadline: Deadline = Duration(60.0)


class ChannelPower(Procedure[ChannelPowerSettings]):
    """Integrated power with the filter's noise bandwidth, the floor measured and subtracted."""

    name = "channel_power"
    summary = "power of a modulated stream in a bandwidth, and its density"
    settings_model = ChannelPowerSettings
    readings = (
        ReadingSpec(name="channel_power", unit="dBm", meaning="power in the bandwidth at the radio port"),
        ReadingSpec(
            name="power_density", unit="dBm/Hz", meaning="mean density over the bandwidth at the radio port"
        ),
    )
    needs = (
        Need(instrument_class="signal_analyser"),
        Need(instrument_class="radio", capabilities=("waveform",)),
    )
    establishes_state = False

    def envelope(self, settings: ChannelPowerSettings, bench: Bench) -> Iterable[Exposure]:
        """The stream at its level, and the same with RF off for the floor."""
        state = _state(settings, bench)
        settling_s = min(SETTLING_S, settings.corrections_deadline.s) if settings.corrections else 0.0
        yield Exposure(state=replace(state, rf_on=False), expected_s=_SWEEP_S)
        yield Exposure(state=state, expected_s=_SWEEP_S + settling_s)

    def misfits(self, settings: ChannelPowerSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse a carrier or bandwidth that the radio cannot use, and a path without loss there."""
        yield from misfits_of_carrier(bench, settings.carrier.hz)
        if settings.bandwidth.hz > bench.radio.bandwidth_hz:
            yield (
                "bandwidth",
                (
                    f"{settings.bandwidth} is wider than the {bench.radio.bandwidth_hz / 1e6:g} MHz that "
                    "the radio can use"
                ),
            )
        low_hz, high_hz = _span(settings)
        yield from misfits_of_span(bench, high_hz - low_hz, "bandwidth")
        yield from misfits_of_band(bench, settings.channel, low_hz, high_hz)

    def reads(self, settings: ChannelPowerSettings, bench: Bench) -> Iterator[Band]:
        """The span that is swept."""
        low_hz, high_hz = _span(settings)
        pad_db = _state(settings, bench).pad_db
        yield Band(channel=settings.channel, low_hz=low_hz, high_hz=high_hz, pad_db=pad_db)

    def least_budget(
        self, name: str, settings: ChannelPowerSettings, bench: Bench, nearest: float
    ) -> Budget | None:
        """Everything but the noise and the floor that is taken off."""
        return Least(bench, _state(settings, bench)).density(settings.carrier.hz)

    def measure(self, session: Session, settings: ChannelPowerSettings) -> Iterator[Measured]:
        """Sweep the floor with RF off, then the stream, and integrate the difference."""
        for setting, sentence in self.misfits(settings, session.bench):
            raise MeasurementError(f"channel_power: {setting}: {sentence}", next_step="choose another value")
        state = _state(settings, session.bench)
        prepare_analyser(session)
        check_pad(session, settings.channel, state.pad_db)
        session.select(settings.channel)
        mute_others(session, settings.channel)
        references = References(session)
        session.rf(replace(state, rf_on=False))
        receiver = Receiver(session, state)
        low_hz, high_hz = _span(settings)
        setup = wide_sweep(
            low_hz,
            high_hz,
            rbw_hz=settings.bandwidth.hz * _RBW_PER_BANDWIDTH,
            at=receiver.range,
            limits=receiver.limits,
            samples=_SAMPLES,
        )
        floor, _ = receiver.sweep(setup)
        session.rf(state)
        switch_corrections(
            session,
            settings.channel,
            on=settings.corrections,
            deadline_s=settings.corrections_deadline.s,
        )
        trace, evidence = receiver.again()
        again, later = receiver.again()
        shared = (*evidence, *later, references.check())
        for measured in _readings(receiver, settings, trace, floor, again):
            yield with_evidence(measured, shared)


def _readings(
    receiver: Receiver, settings: ChannelPowerSettings, trace: Trace, floor: Trace, again: Trace
) -> Iterator[Measured]:
    half_hz = settings.bandwidth.hz / 2
    low_hz, high_hz = settings.carrier.hz - half_hz, settings.carrier.hz + half_hz
    loss_db = receiver.losses_db(trace.frequency_hz)
    noise = band_power(floor, low_hz=low_hz, high_hz=high_hz, correction_db=loss_db)
    raw = band_power(trace, low_hz=low_hz, high_hz=high_hz, correction_db=loss_db)
    power, bound, note = raw, Bound.UPPER, "floor not subtracted: it is too near"
    if raw.level_dbm - noise.level_dbm >= _BOUND_UNDER_DB:
        power = band_power(trace, low_hz=low_hz, high_hz=high_hz, correction_db=loss_db, floor=floor)
        bound, note = Bound.EXACT, f"statistical scatter {power.sd_db:.2g} dB"
    note += f"; {raw.level_dbm - noise.level_dbm:.1f} dB above the floor with RF off"
    once_more = band_power(again, low_hz=low_hz, high_hz=high_hz, correction_db=loss_db)
    evidence = (
        floor_check(raw.level_dbm - noise.level_dbm, bound, trace, name="the channel power"),
        settled_check(
            once_more.level_dbm - raw.level_dbm,
            scatter_db(raw.sd_db, once_more.sd_db),
            what="the power",
        ),
    )
    # The sum without the floor subtracted exceeds the signal's power up to its own scatter: two sigma, 97.7
    # %.
    raised_db = 2 * power.sd_db if bound is Bound.UPPER else 0.0
    confidence = 0.977 if bound is Bound.UPPER else None
    budget = receiver.budgets.band(
        trace,
        power,
        frequency_hz=settings.carrier.hz,
        pad_db=receiver.pad_db,
        floor_db=noise.level_dbm - power.level_dbm,
        subtracted=bound is Bound.EXACT,
    )
    for name, value, shown, unit in (
        ("channel_power", power.level_dbm, trace, "dBm"),
        ("power_density", power.density_dbm_hz, None, "dBm/Hz"),
    ):
        yield Measured(
            name=name,
            value=value + raised_db,
            bound=bound,
            confidence=confidence,
            note=note,
            trace=shown,
            evidence=evidence,
            budget=with_unit(budget, unit),
        )


def _span(settings: ChannelPowerSettings) -> tuple[float, float]:
    half_hz = settings.bandwidth.hz * _SPAN_PER_BANDWIDTH / 2
    return settings.carrier.hz - half_hz, settings.carrier.hz + half_hz


def _state(settings: ChannelPowerSettings, bench: Bench) -> RfState:
    pad_db = pad_for(
        bench,
        channel=settings.channel,
        carrier_hz=settings.carrier.hz,
        attenuation_db=settings.attenuation.db,
        pad=settings.pad,
    )
    return RfState(
        channel=settings.channel,
        carrier_hz=settings.carrier.hz,
        attenuation_db=settings.attenuation.db,
        drive_dbfs=settings.drive.dbfs,
        waveform=settings.waveform,
        pad_db=pad_db,
    )
