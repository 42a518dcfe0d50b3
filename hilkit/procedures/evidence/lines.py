"""Every check of a picture of lines that physics allows, in the order that disturbs least."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from hilkit.analysis import LINES
from hilkit.procedures.evidence.attenuation import attenuation_check, with_check
from hilkit.procedures.evidence.drive import drive_check
from hilkit.procedures.evidence.floor import floor_check
from hilkit.procedures.evidence.hidden import hidden_check
from hilkit.procedures.evidence.look import Look
from hilkit.procedures.evidence.origin import place_checks, residual_checks
from hilkit.procedures.evidence.state import References, drift_check, scatter_db
from hilkit.procedures.lines import Line, Picture, ToneLines
from hilkit.readings import Bound

__all__ = ["checked"]

OF_TWO_LINES = (2, -2, 3)
"""Products that the analyser can make as well, from two or more of the lines that arrive."""

OF_THE_UNIT = (-1, 0)
"""Lines that stay with the unit's LO, and that the analyser can only show by a response of its own."""

_CUBIC = -3
_STRAY = "the line that the tone does not explain"


def checked(tone: ToneLines, picture: Picture, references: References, *, drive: bool = False) -> Picture:
    """Return ``picture`` with the evidence of each line, and that of all of them.

    With RF as it is: the centre moved, more input attenuation, the tone once more; then ``drive``, 3 dB less
    for the third harmonic; RF off for the residual lines at last. Afterwards the state of ``tone`` stands
    again.
    """
    lines = dict(picture.lines)
    for multiple in sorted(lines):
        lines[multiple] = _with_floor(lines[multiple], _named(multiple))
    for multiple in _exact(lines, OF_TWO_LINES):
        lines[multiple] = attenuation_check(tone, picture.tone, lines[multiple], _named(multiple))
    for multiple in OF_TWO_LINES:
        if multiple in lines and lines[multiple].reading.bound is Bound.UPPER:
            lines[multiple] = hidden_check(tone, lines[multiple], _named(multiple))
    look = Look.like(tone)
    for multiple in _exact(lines, OF_THE_UNIT):
        for evidence in place_checks(look, lines[multiple], _named(multiple)):
            lines[multiple] = with_check(lines[multiple], evidence)
    again = look.tone()
    change_db = again.port_dbm - picture.tone.port_dbm
    drift = drift_check(
        change_db, scatter_db(again.reading.sd_db, picture.tone.reading.sd_db), what="the tone"
    )
    if drive and _CUBIC in lines:
        lines[_CUBIC] = with_check(lines[_CUBIC], drive_check(tone, lines[_CUBIC]))
    stray = picture.stray
    doubtful = {_named(multiple): lines[multiple] for multiple in _exact(lines, OF_THE_UNIT)}
    if stray is not None and stray.reading.bound is Bound.EXACT:
        doubtful[_STRAY] = stray
    if doubtful:
        residuals = residual_checks(tone, doubtful)
        for multiple in _exact(lines, OF_THE_UNIT):
            lines[multiple] = residuals[_named(multiple)]
        stray = residuals.get(_STRAY, stray)
    return replace(picture, lines=lines, stray=stray, evidence=(*picture.evidence, drift, references.check()))


def _exact(lines: dict[int, Line], among: tuple[int, ...]) -> Iterator[int]:
    return iter([m for m in among if m in lines and lines[m].reading.bound is Bound.EXACT])


def _with_floor(line: Line, name: str) -> Line:
    reading = line.reading
    return with_check(line, floor_check(reading.above_floor_db, reading.bound, line.trace, name=name))


def _named(multiple: int) -> str:
    return f"the {LINES[multiple]}"
