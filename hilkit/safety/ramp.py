"""The ramp: the first RF of a combination comes on at its lowest level and is raised in few steps.

At each level the interlocks are read, and what the analyser sees is compared with what the bench file
predicts. A cable that is off shows as a level far below the prediction, a path with less loss than stated as
one above it, both at the lowest level, some 30 dB under full power.

How far the level may lie off is what the bench knows: every limit of loss and level that its file states,
added up, and ``RADIO_DB`` for the radio; 3 dB at least. The file may say otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hilkit.bench.path import frequency_text
from hilkit.errors import SafetyStop
from hilkit.safety.states import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety.session import Session

__all__ = ["LevelSeen", "levels_db", "ramp", "ramp_top", "window_db"]

LEAST_WINDOW_DB = 3.0
RADIO_DB = 1.5
"""What a radio may give less than its ``max_level`` says, by tolerance, warmth and compression, and what two
reflections may add (common practice, no source)."""

STEP_DB = 2.0
"""How far a rise of the level may lie off the rise that was asked for: the error of two codes of the transmit
attenuator and the compression of an amplifier at full output (common practice, no source)."""

CLEAR_DB = 10.0
"""Distance from the analyser's floor from which on a level is compared: closer, noise adds over 0.4 dB."""

SETTLE_S = 0.05
"""Time in seconds that a level stands before it is read."""

OFFSET_SHARE = 1 / 8
"""Offset of the tone, as a part of the radio's bandwidth, in place of a modulated stream."""


@dataclass(frozen=True, kw_only=True)
class LevelSeen:
    """What the analyser saw, in dBm at the radio port: the highest line, and its own floor there."""

    level_dbm: float
    floor_dbm: float


Read = Callable[[RfState], LevelSeen | None]
"""Reads the level that a state gives, ``None`` where no analyser sees the port."""


def ramp_top(first: Iterable[RfState], everything: Iterable[RfState], bench: Bench) -> list[RfState]:
    """Return what to ramp to, one state for each channel that ``first`` sends on.

    Each is a tone at the carrier that ``first`` begins with, at the highest level that ``everything`` has on
    this channel and carrier. Other carriers are left alone: moving there would void what a step before has
    calibrated.
    """
    tops: dict[int, RfState] = {}
    carriers: dict[int, float] = {}
    for state in (each for each in first if _sends(each)):
        carriers.setdefault(state.channel, state.carrier_hz)
    for state in everything:
        if not _sends(state) or carriers.get(state.channel) != state.carrier_hz:
            continue
        best = tops.get(state.channel)
        if best is None or _level(state) > _level(best):
            tops[state.channel] = state
    return [_as_tone(state, bench) for state in tops.values()]


def levels_db(highest_db: float, lowest_db: float, *, largest_db: float, step_db: float) -> tuple[float, ...]:
    """Return the transmit attenuations of a ramp in dB, highest first, ``lowest_db`` last.

    As few as steps of at most ``largest_db`` allow, all on the attenuator's own grid of ``step_db``.
    """
    count = math.ceil(max(0.0, highest_db - lowest_db) / largest_db - 1e-9)
    grid = step_db or 1e-3
    rises = ((highest_db - lowest_db) * number / count for number in range(count))
    return (*(highest_db - math.floor(rise / grid + 1e-9) * grid for rise in rises), lowest_db)


def window_db(bench: Bench, state: RfState) -> tuple[float, float]:
    """Return how far below and above its prediction a level may lie, in dB."""
    path = bench.path(state.channel)
    at, pad_db = state.carrier_hz, state.pad_db
    losses = path.loss_db(at, pad_db=pad_db) - path.min_loss_to(path.nodes[-1], at, pad_db=pad_db)
    figures = [spec.figure("level") for spec in bench.of_class("signal_analyser")]
    if path.pad_instrument is not None:
        figures.append(bench.instruments[path.pad_instrument].figure("attenuation"))
    known = max(0.0, losses) + sum(figure.limit for figure in figures if figure is not None)
    window = max(LEAST_WINDOW_DB, known + RADIO_DB)
    below, above = bench.ramp.below_db, bench.ramp.above_db
    return (window if below is None else below), (window if above is None else above)


def ramp(session: Session, top: RfState, read: Read) -> None:
    """Raise a channel to ``top`` in steps and turn its RF off again.

    ``SafetyStop`` for a level, a rise or an interlock that is not as it has to be; RF is left to whoever
    makes the bench safe then.
    """
    highest, step = session.radio.attenuation_range()[1:]
    levels = levels_db(highest, top.attenuation_db, largest_db=session.bench.ramp.step_db, step_db=step)
    session.select(top.channel)
    seen: list[tuple[RfState, LevelSeen | None]] = []
    for attenuation_db in levels:
        state = replace(top, attenuation_db=attenuation_db)
        session.rf(state)
        session.clock.sleep(SETTLE_S)
        if seen:
            session.interlocks.now()
        else:
            session.interlocks.at_low_power()
        seen.append((state, read(state)))
        _judge(session.bench, seen)
    session.mute(top.channel)


def _judge(bench: Bench, seen: Sequence[tuple[RfState, LevelSeen | None]]) -> None:
    state, found = seen[-1]
    predicted_dbm = bench.radio.max_level_dbm + _level(state)
    if found is None or predicted_dbm < found.floor_dbm + CLEAR_DB:
        return
    below, above = window_db(bench, state)
    off_db = found.level_dbm - predicted_dbm
    if not -below <= off_db <= above:
        raise _unexpected(state, found, predicted_dbm, (below, above), lowest=len(seen) == 1)
    before = seen[-2] if len(seen) > 1 else None
    if before is not None and before[1] is not None and before[1].level_dbm >= found.floor_dbm + CLEAR_DB:
        asked_db = _level(state) - _level(before[0])
        risen_db = found.level_dbm - before[1].level_dbm
        if abs(risen_db - asked_db) > STEP_DB:
            raise SafetyStop(
                f"{_where(state)}: the level rose by {risen_db:.1f} dB to {found.level_dbm:.1f} dBm where "
                f"{asked_db:.1f} dB were asked for, {STEP_DB:g} dB more or less are allowed",
                next_step="look for an amplifier in compression, a loose connector, a transmit attenuator "
                "that does not do what it reports",
            )


def _unexpected(
    state: RfState, found: LevelSeen, predicted_dbm: float, window: tuple[float, float], *, lowest: bool
) -> SafetyStop:
    off_db = found.level_dbm - predicted_dbm
    at = "the lowest level of the ramp" if lowest else "on the way up"
    much, cause = (
        ("more", "a pad, a coupler or a cable is missing or has less loss than the bench file says")
        if off_db > 0
        else (
            "less",
            "a cable or a load may be off, a relay may not switch, a loss may be higher than the bench file "
            "says, or the radio gives less than its max_level",
        )
    )
    return SafetyStop(
        f"{_where(state)}, {at}: {found.level_dbm:.1f} dBm is read at the port, {predicted_dbm:.1f} dBm is "
        f"predicted, {abs(off_db):.1f} dB {much}; -{window[0]:.1f} to +{window[1]:.1f} dB is allowed",
        next_step=f"{cause}; with RF off, compare the bench with its file, and run again",
    )


def _where(state: RfState) -> str:
    return (
        f"the ramp was stopped: channel {state.channel} at {frequency_text(state.carrier_hz)} with "
        f"{state.attenuation_db:g} dB transmit attenuation"
    )


def _sends(state: RfState) -> bool:
    return state.rf_on and (state.tone_offset_hz is not None or state.waveform is not None)


def _level(state: RfState) -> float:
    """Level of a state against the radio's highest, in dB."""
    return state.drive_dbfs - state.attenuation_db


def _as_tone(state: RfState, bench: Bench) -> RfState:
    """Return the state with a tone of the same level: the power of a stream lies all over its band."""
    if state.tone_offset_hz is not None:
        return replace(state, second_offset_hz=None)
    return replace(state, waveform=None, tone_offset_hz=bench.radio.bandwidth_hz * OFFSET_SHARE)
