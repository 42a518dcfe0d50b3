"""Image and leakage belong to the unit: they stay when the analyser's centre moves, and go when RF goes.

A response of the analyser that depends on its own tuning moves with the centre; a residual line of the
analyser stays when nothing is sent. The reading with the centre moved is a repetition as well: a line that
does not agree with itself at the first centre either is not settled.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from hilkit.errors import HilkitError, SafetyStop
from hilkit.judgement import not_available
from hilkit.procedures.evidence.attenuation import ACCEPTED_DB, COVER, with_check, with_rest
from hilkit.procedures.evidence.look import Look
from hilkit.procedures.lines import Line, ToneLines
from hilkit.readings import Bound, Evidence

__all__ = ["ASIDE_RBW", "place_checks", "residual_checks"]

ASIDE_RBW = 2.5
"""How far the centre moves, in filter widths: a response that moves along is then 75 dB down at the line."""

RESIDUAL_UNDER_DB = 20.0
"""What is left with RF off has to be this far under a line: it then changes it by 0.9 dB at most."""

_STAYS = f"the same level within {ACCEPTED_DB:g} dB and {COVER:g} standard uncertainties"
_GOES = f"at least {RESIDUAL_UNDER_DB:g} dB lower with RF off"


def place_checks(look: Look, line: Line, name: str) -> tuple[Evidence, Evidence]:
    """Read ``line`` with the centre moved, and once more as it was where that differs."""
    moved = look.line(line.multiple, aside_rbw=ASIDE_RBW)
    if _agree(moved, line):
        apart = f"{moved.port_dbm - line.port_dbm:+.2f} dB"
        return (
            _evidence("centre moved", True, apart, _STAYS, f"{name} stays when the centre moves"),
            _evidence("settled", True, apart, _STAYS, f"{name} reads the same twice"),
        )
    again = look.line(line.multiple)
    if _agree(again, line):
        shown = "is gone" if moved.reading.bound is Bound.UPPER else "has changed"
        sentence = (
            f"{name} {shown} at its place when the analyser's centre moves by {ASIDE_RBW:g} filter widths: "
            "it is a response of the analyser that moves with its tuning"
        )
        return (
            _evidence("centre moved", False, f"{_level(moved)} after {_level(line)}", _STAYS, sentence),
            _evidence("settled", True, _level(again), _STAYS, f"{name} reads the same twice"),
        )
    sentence = (
        f"{name} read {_level(line)} and {_level(again)} shortly after, with the same settings: it has not "
        "settled"
    )
    return (
        not_available("centre moved", f"{name} moves by itself: its place was not tested", required=_STAYS),
        _evidence("settled", False, f"{_level(line)}, then {_level(again)}", _STAYS, sentence),
    )


def residual_checks(tone: ToneLines, lines: Mapping[str, Line]) -> dict[str, Line]:
    """Return ``lines``, by their names, with what RF off shows of each; RF is on again afterwards.

    Where noise leaves open what is left, the most that it can be goes into the budget. ``SafetyStop`` where
    the tone itself stays above ``off_level`` of the bench: RF is then left off, as far as the radio obeys.
    """
    session, look = tone.receiver.session, Look.like(tone)
    session.rf(replace(tone.state, rf_on=False))
    try:
        left = {name: look.line(line.multiple, at_hz=line.frequency_hz) for name, line in lines.items()}
    except HilkitError:
        session.rf(tone.state)
        raise
    if any(_stays(lines[name], rest) for name, rest in left.items()):
        _refuse_rf_on(look, session.bench.off_level_dbm)
    session.rf(tone.state)
    return {name: _residual(lines[name], rest, name) for name, rest in left.items()}


def _stays(line: Line, rest: Line) -> bool:
    return line.port_dbm - rest.port_dbm < RESIDUAL_UNDER_DB and rest.reading.bound is not Bound.UPPER


def _refuse_rf_on(look: Look, off_dbm: float | None) -> None:
    """A line that stays is the analyser's own, or RF is on still: the tone tells, as it is far stronger."""
    if off_dbm is None:
        return
    tone = look.line(1)
    if tone.reading.bound is not Bound.UPPER and tone.port_dbm > off_dbm:
        raise SafetyStop(
            f"RF of channel {look.state.channel} was switched off, but its tone is still at the port with "
            f"{tone.port_dbm:.1f} dBm, above off_level, {off_dbm:g} dBm",
            next_step="find out why the radio does not obey before it is powered or connected again",
        )


def _residual(line: Line, rest: Line, name: str) -> Line:
    under_db = line.port_dbm - rest.port_dbm
    if under_db >= RESIDUAL_UNDER_DB:
        sentence, held = f"{name} goes with RF", True
    elif rest.reading.bound is Bound.UPPER:
        missing = not_available(
            "RF off",
            f"{name}: what is left with RF off is known to be {under_db:.1f} dB lower only, by the noise",
            required=_GOES,
        )
        most_db = 20 * math.log10(1 + 10 ** (-under_db / 20))
        return with_check(
            with_rest(line, most_db, "residual line of the analyser", "reading with RF off"), missing
        )
    else:
        sentence, held = (
            f"{name} is still there with RF off, {_level(rest)} of {_level(line)}: it is a residual line of "
            "the analyser, comes from another source, or RF of the radio is on still",
            False,
        )
    return with_check(line, _evidence("RF off", held, f"{_level(rest)} with RF off", _GOES, sentence))


def _agree(one: Line, other: Line) -> bool:
    sd_db = math.hypot(one.reading.sd_db, other.reading.sd_db)
    same_kind = one.reading.bound is other.reading.bound
    return same_kind and abs(one.port_dbm - other.port_dbm) <= ACCEPTED_DB + COVER * sd_db


def _evidence(name: str, held: bool, observed: str, required: str, sentence: str) -> Evidence:
    return Evidence(name=name, held=held, observed=observed, required=required, sentence=sentence)


def _level(line: Line) -> str:
    return f"{'at most ' if line.reading.bound is Bound.UPPER else ''}{line.port_dbm:.1f} dBm"
