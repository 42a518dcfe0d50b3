"""What the measurements of a modulated stream share: settings, RF states, and sweeps with RF off and on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from hilkit.errors import MeasurementError
from hilkit.procedures.contract import Exposure, Procedure, Settings
from hilkit.procedures.corrections import SETTLING_S, switch_corrections
from hilkit.procedures.evidence import References, settled_check
from hilkit.procedures.evidence.state import scatter_db
from hilkit.procedures.fields import Attenuation, Carrier, Channel, Corrections, Deadline, Drive, Pad
from hilkit.procedures.receiver import Receiver, check_pad, mute_others, prepare_analyser
from hilkit.procedures.states import (
    expected_input_dbm,
    misfits_of_band,
    misfits_of_carrier,
    misfits_of_span,
    pad_for,
)
from hilkit.quantities import Duration, FullScaleLevel
from hilkit.readings import Evidence, Trace
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.analysis import BandPower
    from hilkit.bench import Bench
    from hilkit.instruments import SweepSetup
    from hilkit.safety import Session

__all__ = [
    "Pair",
    "Stream",
    "StreamSettings",
    "Waveform",
    "expected_mean_dbm",
    "misfits_of_stream",
    "stream_exposures",
    "stream_state",
]

Waveform = Annotated[
    str,
    Field(
        min_length=1,
        pattern=r"^[\w.-]+$",
        description="stream that the radio plays, by the name it knows; letters, digits, _ - . only",
    ),
]


class StreamSettings(Settings):
    """What every step that plays a modulated stream can be told."""

    channel: Channel
    carrier: Carrier
    waveform: Waveform
    attenuation: Attenuation
    drive: Drive = FullScaleLevel(-12.0)
    pad: Pad = None
    corrections: Corrections = False
    corrections_deadline: Deadline = Duration(60.0)


@dataclass(frozen=True, kw_only=True)
class Pair:
    """One sweep with the stream, the same with RF off, and the analyser's doubts about both."""

    trace: Trace
    floor: Trace
    evidence: tuple[Evidence, ...]


class Stream:
    """A stream on air and an analyser that looks at it, with RF off for the floor in between."""

    def __init__(self, session: Session, settings: StreamSettings, procedure: Procedure[Any]) -> None:
        for setting, sentence in procedure.misfits(settings, session.bench):
            raise MeasurementError(
                f"{procedure.name}: {setting}: {sentence}", next_step="choose another value"
            )
        self.session, self.settings = session, settings
        self.state = stream_state(settings, session.bench)
        prepare_analyser(session)
        check_pad(session, settings.channel, self.state.pad_db)
        session.select(settings.channel)
        mute_others(session, settings.channel)
        self.references = References(session)
        self.quiet()
        self.receiver = Receiver(session, self.state)

    def quiet(self) -> None:
        """Take RF off."""
        self.session.rf(replace(self.state, rf_on=False))

    def play(self) -> None:
        """Put the stream on air, with the corrections as the settings say."""
        self.session.rf(self.state)
        switch_corrections(
            self.session,
            self.settings.channel,
            on=self.settings.corrections,
            deadline_s=self.settings.corrections_deadline.s,
        )

    def pairs(self, *setups: SweepSetup) -> list[Pair]:
        """Sweep every setup with RF off first, then with the stream, which plays on afterwards."""
        self.quiet()
        floors = [self.receiver.sweep(setup) for setup in setups]
        self.play()
        taken = [self.receiver.sweep(setup) for setup in setups]
        return [
            Pair(trace=trace, floor=floor, evidence=(*of_floor, *of_trace))
            for (floor, of_floor), (trace, of_trace) in zip(floors, taken, strict=True)
        ]

    def repeated(self, before: BandPower, again: BandPower) -> Evidence:
        """Return whether a power came again within its scatter."""
        return settled_check(
            again.level_dbm - before.level_dbm, scatter_db(before.sd_db, again.sd_db), what="the power"
        )


def stream_state(settings: StreamSettings, bench: Bench) -> RfState:
    """Return the RF state of a stream, RF on."""
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


def stream_exposures(
    settings: StreamSettings, bench: Bench, *, off_s: float, on_s: float
) -> Iterator[Exposure]:
    """Yield the stream at its level and the same with RF off, with the times that both take."""
    state = stream_state(settings, bench)
    settling_s = min(SETTLING_S, settings.corrections_deadline.s) if settings.corrections else 0.0
    yield Exposure(state=replace(state, rf_on=False), expected_s=off_s)
    yield Exposure(state=state, expected_s=on_s + settling_s)


def misfits_of_stream(
    settings: StreamSettings, bench: Bench, low_hz: float, high_hz: float, setting: str = "bandwidth"
) -> Iterator[tuple[str, str]]:
    """Yield what keeps a stream from being swept from ``low_hz`` to ``high_hz``."""
    yield from misfits_of_carrier(bench, settings.carrier.hz)
    yield from misfits_of_span(bench, high_hz - low_hz, setting)
    yield from misfits_of_band(bench, settings.channel, low_hz, high_hz)


def expected_mean_dbm(bench: Bench, state: RfState) -> float:
    """Return the mean level of a stream expected at the analyser: its drive under that of its peaks."""
    return expected_input_dbm(bench, state) + min(0.0, state.drive_dbfs)
