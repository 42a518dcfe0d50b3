"""Made by the modulator? The third harmonic is not touched by input attenuation, but by the drive.

With 3 dB less drive a cubic of the modulator falls 6 dB in dBc, a line of order n 3 (n - 1) dB. That tells
what makes the line; it neither passes nor fails it.
"""

from __future__ import annotations

import math
from dataclasses import replace

from hilkit.judgement import not_available
from hilkit.procedures.evidence.look import Look
from hilkit.procedures.lines import Line, ToneLines
from hilkit.readings import Bound, Evidence

__all__ = ["LESS_DRIVE_DB", "classified", "drive_check"]

NAME = "less drive"
LESS_DRIVE_DB = 3.0
_WITHIN_DB = 1.0
_ORDERS = {
    1: "follows the tone as an image does: no curvature of the modulator makes it",
    2: "falls as a square: classified as second order of the modulator",
    3: "falls as a cube: classified as cubic of the modulator",
    5: "falls as a fifth power: classified as fifth order of the modulator",
}
_REQUIRED = "nothing: the test tells what makes the line, it neither passes nor fails it"


def drive_check(tone: ToneLines, line: Line) -> Evidence:
    """Return what 3 dB less drive tells of ``line``; the tone stands at its level again afterwards."""
    session, state = tone.receiver.session, tone.state
    if line.reading.bound is not Bound.EXACT:
        return not_available(NAME, "the third harmonic is lost in noise: not classified", required=_REQUIRED)
    lower = replace(state, drive_dbfs=state.drive_dbfs - LESS_DRIVE_DB)
    session.rf(lower)
    try:
        look = Look.like(tone, state=lower)
        found = look.line(line.multiple).against(look.tone())
    finally:
        session.rf(state)
    change_db = found.relative_dbc - line.relative_dbc
    if found.reading.bound is not Bound.EXACT:
        return not_available(
            NAME,
            f"the third harmonic is lost in noise with {LESS_DRIVE_DB:g} dB less drive: not classified",
            required=_REQUIRED,
        )
    sd_db = math.hypot(found.reading.sd_db, line.reading.sd_db)
    return Evidence(
        name=NAME,
        held=True,
        observed=f"{change_db:+.2f} dB in dBc with {LESS_DRIVE_DB:g} dB less drive, standard uncertainty "
        f"{sd_db:.2g} dB",
        required=_REQUIRED,
        sentence=f"the third harmonic {classified(change_db)}",
    )


def classified(change_db: float) -> str:
    """Say what makes a line whose dBc change by ``change_db`` with 3 dB less drive."""
    for order, words in _ORDERS.items():
        if abs(change_db + LESS_DRIVE_DB * (order - 1)) <= _WITHIN_DB:
            return words
    return (
        f"does not follow the drive in any order ({change_db:+.1f} dB in dBc with {LESS_DRIVE_DB:g} dB less)"
    )
