"""From a cold bench to a radio that is locked, identified and calibrated, with RF off throughout."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from hilkit.errors import MeasurementError
from hilkit.procedures.budgets import counted, time_budget, unknown
from hilkit.procedures.contract import Exposure, Need, Procedure, Settings
from hilkit.procedures.fields import Carrier, Channel, Deadline, Poll
from hilkit.procedures.least import least_time
from hilkit.procedures.receiver import prepare_analyser
from hilkit.procedures.states import highest_attenuation_db, misfits_of_carrier
from hilkit.quantities import Duration
from hilkit.readings import Budget, Measured, ReadingSpec
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["BringUp", "BringUpSettings", "run_calibration"]

# What most radios need, as far as anybody has told (common practice, no source).
_LOCK_S = 0.6
_CALIBRATION_S = 0.4


class BringUpSettings(Settings):
    """What the step can be told."""

    channel: Channel
    carrier: Carrier
    reference: Annotated[
        Literal["external", "internal"], Field(description="frequency reference that the radio is to follow")
    ]
    calibrate: Annotated[bool, Field(description="run the initial calibration")] = True
    lock_deadline: Deadline = Duration(30.0)
    calibration_deadline: Deadline = Duration(60.0)
    poll: Poll = Duration(0.1)


def _reported(name: str, unit: str, meaning: str) -> ReadingSpec:
    return ReadingSpec(name=name, unit=unit, meaning=meaning, by_radio=True)


class BringUp(Procedure[BringUpSettings]):
    """Reference lock, identity, initial calibration; RF stays off, transmit attenuation at its highest."""

    name = "bring_up"
    summary = "reference lock, identity and firmware, initial calibration, everything at lowest power"
    settings_model = BringUpSettings
    readings = (
        _reported("reference_locked", "1", "1 when the radio reports its reference locked, else 0"),
        _reported("reference_lock_time", "s", "time from selecting the reference to lock"),
        _reported("calibrated", "1", "1 when the initial calibration ended well, else 0"),
        _reported("calibration_time", "s", "duration of the initial calibration"),
        _reported("boots", "1", "how often the radio has started, as it counts"),
        _reported("uptime", "s", "time since the radio started"),
        _reported("temperature", "°C", "temperature that the radio reports at the end"),
    )
    needs = (
        Need(instrument_class="signal_analyser"),
        Need(instrument_class="radio", capabilities=("reference", "calibrate")),
    )
    establishes_state = True

    def envelope(self, settings: BringUpSettings, bench: Bench) -> Iterable[Exposure]:
        """One state, with RF off; a radio's own calibration may still put bursts on its port."""
        expected_s = min(_LOCK_S, settings.lock_deadline.s)
        if settings.calibrate:
            expected_s += min(_CALIBRATION_S, settings.calibration_deadline.s)
        return (Exposure(state=_quiet(settings, highest_attenuation_db(bench)), expected_s=expected_s),)

    def misfits(self, settings: BringUpSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse a carrier that the radio may not be tuned to."""
        yield from misfits_of_carrier(bench, settings.carrier.hz)

    def yields(self, settings: BringUpSettings) -> Iterator[tuple[str, str]]:
        """Everything, but nothing of a calibration that is not run."""
        for name, phase in super().yields(settings):
            if settings.calibrate or name not in ("calibrated", "calibration_time"):
                yield name, phase

    def least_budget(
        self, name: str, settings: BringUpSettings, bench: Bench, nearest: float
    ) -> Budget | None:
        """The times that are known to one look."""
        return least_time(settings.poll.s) if name in ("reference_lock_time", "calibration_time") else None

    def measure(self, session: Session, settings: BringUpSettings) -> Iterator[Measured]:
        """Mute, lower, lock, tune, calibrate."""
        session.mute_all()
        prepare_analyser(session)
        _record_identities(session)
        yield Measured(name="boots", value=float(session.radio.boot_count()), budget=counted())
        uptime = unknown("radio's clock", "s", "nothing is known of the radio's own clock")
        yield Measured(name="uptime", value=session.radio.uptime_s(), budget=uptime)
        session.rf(_quiet(settings, session.radio.attenuation_range()[1]))
        yield from _lock(session, settings)
        if settings.calibrate:
            yield from _calibrate(session, settings)
        sensor = unknown("radio's sensor", "°C", "nothing is known of the radio's own sensor")
        yield Measured(name="temperature", value=session.radio.temperature_c(), budget=sensor)


def run_calibration(session: Session, channel: int, *, deadline_s: float, poll_s: float) -> float:
    """Run the initial calibration to its end and return its duration in seconds.

    ``MeasurementError`` if it fails or does not end in time.
    """
    radio = session.radio
    start = session.clock.now()
    radio.calibrate(channel)
    session.wait_until(
        lambda: radio.calibration_state(channel) in ("done", "failed"),
        deadline_s=deadline_s,
        poll_s=poll_s,
        what=f"the initial calibration of channel {channel} ends",
    )
    if radio.calibration_state(channel) != "done":
        raise MeasurementError(
            f"the initial calibration of channel {channel} failed",
            next_step="terminate the port, check the reference and the temperature, and run it again",
        )
    return session.clock.now() - start


def _lock(session: Session, settings: BringUpSettings) -> Iterator[Measured]:
    session.note(f"waiting for the radio to lock to its {settings.reference} reference")
    start = session.clock.now()
    session.radio.set_reference(settings.reference)
    try:
        session.wait_until(
            lambda: session.radio.reference_state() == "locked",
            deadline_s=settings.lock_deadline.s,
            poll_s=settings.poll.s,
            what=f"the radio locks to its {settings.reference} reference",
        )
    except MeasurementError:
        yield Measured(
            name="reference_locked",
            value=0.0,
            note=f"the radio reports {session.radio.reference_state()}",
            budget=counted(),
        )
        raise
    yield Measured(name="reference_locked", value=1.0, budget=counted())
    yield Measured(
        name="reference_lock_time",
        value=session.clock.now() - start,
        note=f"good to {settings.poll}, one look",
        budget=time_budget(settings.poll.s, "time between two looks"),
    )


def _calibrate(session: Session, settings: BringUpSettings) -> Iterator[Measured]:
    # A calibration with its synthesiser still slewing would learn the wrong thing, or fail.
    session.wait_until(
        lambda: session.radio.synthesiser_state(settings.channel) == "locked",
        deadline_s=settings.lock_deadline.s,
        poll_s=settings.poll.s,
        what=f"the synthesiser of channel {settings.channel} locks at {settings.carrier}",
    )
    session.note(f"initial calibration of channel {settings.channel}")
    try:
        seconds = run_calibration(
            session, settings.channel, deadline_s=settings.calibration_deadline.s, poll_s=settings.poll.s
        )
    except MeasurementError:
        state = session.radio.calibration_state(settings.channel)
        yield Measured(name="calibrated", value=0.0, note=f"the radio reports {state}", budget=counted())
        raise
    yield Measured(name="calibrated", value=1.0, budget=counted())
    yield Measured(
        name="calibration_time",
        value=seconds,
        note=f"good to {settings.poll}, one look",
        budget=time_budget(settings.poll.s, "time between two looks"),
    )


def _record_identities(session: Session) -> None:
    radio = session.radio.identity()
    session.fact("radio model", radio.model)
    session.fact("radio serial", radio.serial)
    session.fact("radio firmware", radio.firmware)
    analyser = session.analyser.identity()
    session.fact("analyser", f"{analyser.maker}, {analyser.model}, {analyser.serial}, {analyser.firmware}")


def _quiet(settings: BringUpSettings, attenuation_db: float) -> RfState:
    return RfState(
        channel=settings.channel, carrier_hz=settings.carrier.hz, attenuation_db=attenuation_db, rf_on=False
    )
