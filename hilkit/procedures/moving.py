"""The move to another carrier: level down, stream off, LO, lock, calibration, stream on, level up."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from hilkit.analysis import line_centre
from hilkit.errors import MeasurementError
from hilkit.procedures.bring_up import run_calibration
from hilkit.procedures.budgets import counted, time_budget
from hilkit.procedures.lines import ToneLines
from hilkit.procedures.sweeps import narrow_sweep, nice_rbw_hz
from hilkit.readings import Measured
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.procedures.retune import RetuneSettings
    from hilkit.safety import Session

__all__ = ["Unit", "move", "ramp_db", "way"]

_READY_RBW_HZ = 100e3
_READY_SAMPLES = 20.0
_READY_SNR_DB = 20.0
_LOST_UPTIME_S = 1.0
_CLOCK_ERROR = 1e-3


class Unit:
    """Watches whether the radio restarts."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._boots = session.radio.boot_count()
        self._uptime_s = session.radio.uptime_s()
        self._since = session.clock.now()

    def resets(self) -> Measured:
        """Count restarts by the boot counter; an uptime that fell back shows one that the counter missed."""
        starts = self._session.radio.boot_count() - self._boots
        uptime_s = self._session.radio.uptime_s()
        passed_s = self._session.clock.now() - self._since
        expected_s = self._uptime_s + passed_s
        fell_back = uptime_s < expected_s - _LOST_UPTIME_S - _CLOCK_ERROR * passed_s
        return Measured(
            name="resets",
            value=float(max(starts, 1 if fell_back else 0)),
            note=f"boot counter {starts:+d}, uptime {uptime_s:.1f} s where {expected_s:.1f} s were expected",
            budget=counted(),
        )


def move(session: Session, settings: RetuneSettings, old: RfState, new: ToneLines) -> Iterator[Measured]:
    """Go to the new carrier; a time is good to one poll interval, the last one to one sweep as well."""
    channel, start = settings.channel, session.clock.now()
    highest_db = session.radio.attenuation_range()[1]
    session.note(f"leaving {settings.carrier} for {settings.to}")
    down, up = _way(old, new.state, highest_db=highest_db, ramp_step_db=settings.ramp_step.db)
    for state in down:
        session.rf(state)
    restarted = session.clock.now()
    session.radio.restart_synthesiser(channel)
    session.wait_until(
        lambda: session.radio.synthesiser_state(channel) == "locked",
        deadline_s=settings.lock_deadline.s,
        poll_s=settings.poll.s,
        what=f"the synthesiser of channel {channel} locks at {settings.to}",
    )
    good = f"good to {settings.poll}, one look"
    look = time_budget(settings.poll.s, "time between two looks")
    yield Measured(name="lock_time", value=session.clock.now() - restarted, note=good, budget=look)
    if settings.recalibrate:
        seconds = run_calibration(
            session, channel, deadline_s=settings.calibration_deadline.s, poll_s=settings.poll.s
        )
        yield Measured(name="calibration_time", value=seconds, note=good, budget=look)
    for state in up:
        session.rf(state)
    sweep_s = _wait_for_tone(session, settings, new)
    yield Measured(
        name="ready_after",
        value=session.clock.now() - start,
        note=f"{good}, and to one sweep of {sweep_s * 1e3:.3g} ms",
        evidence=new.receiver.checks(),
        budget=time_budget(settings.poll.s + sweep_s, "time between two looks, and a sweep"),
    )


def way(old: RfState, new: RfState, *, highest_db: float, ramp_step_db: float) -> tuple[RfState, ...]:
    """Return every state from ``old`` to ``new``, the first of them at the highest attenuation."""
    down, up = _way(old, new, highest_db=highest_db, ramp_step_db=ramp_step_db)
    return (*down, *up)


def _way(
    old: RfState, new: RfState, *, highest_db: float, ramp_step_db: float
) -> tuple[list[RfState], list[RfState]]:
    low_old, low_new = (replace(state, attenuation_db=highest_db) for state in (old, new))
    down = [low_old, *(replace(state, tone_offset_hz=None, rf_on=False) for state in (low_old, low_new))]
    ramp = ramp_db(highest_db, new.attenuation_db, ramp_step_db)
    return down, [replace(new, attenuation_db=attenuation_db) for attenuation_db in ramp]


def _wait_for_tone(session: Session, settings: RetuneSettings, new: ToneLines) -> float:
    """Sweep until the tone stands at its new place; return the sweep time in seconds."""
    receiver = new.receiver
    setup = narrow_sweep(
        new.nominal_hz(1),
        rbw_hz=nice_rbw_hz(min(_READY_RBW_HZ, abs(new.offset_hz) / 20), receiver.limits),
        at=receiver.range,
        limits=receiver.limits,
        samples=_READY_SAMPLES,
    )
    receiver.analyser.configure(setup)

    def stands() -> bool:
        trace = receiver.analyser.acquire()
        try:
            found = line_centre(trace)
        except MeasurementError:
            return False
        clear = found.level_dbm - float(trace.level_dbm.min()) >= _READY_SNR_DB
        return clear and abs(found.frequency_hz - new.nominal_hz(1)) <= trace.rbw_hz

    session.wait_until(
        stands,
        deadline_s=settings.ready_deadline.s,
        poll_s=settings.poll.s,
        what=f"a tone stands at {new.nominal_hz(1) / 1e6:.6f} MHz",
    )
    return setup.sweep_time_s or 0.0


def ramp_db(highest_db: float, target_db: float, step_db: float) -> tuple[float, ...]:
    """Return the attenuations of the way up, from ``highest_db`` to ``target_db`` in steps of at most
    ``step_db``."""
    steps: list[float] = []
    at = target_db
    while at < highest_db:
        steps.append(round(at, 6))
        at += step_db
    return (highest_db, *reversed(steps)) if target_db < highest_db else (target_db,)
