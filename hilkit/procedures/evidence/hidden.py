"""Hidden by the analyser? A line that is lost in noise may be one that the analyser's own product takes away.

With the unit's product of amplitude T and the analyser's A against it, T - A stays under the bound b1. With s
dB more input attenuation a third-order A falls to f A, f = 10^(-s/10), and T - f A stays under b2; hence

    T <= (b2 + f b1) / (1 - f)

whatever A is: two settings prove a bound, a little above what either shows. It needs a filter narrow enough
to keep the floor down. A bound ``DEEP_DB`` under the lowest line that matters is left alone: to hide a line
that matters, A would have to match it to a third, and in antiphase.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from hilkit.judgement import not_available
from hilkit.procedures.evidence.attenuation import (
    ACCEPTED_DB,
    COVER,
    DEEP_DB,
    NAME,
    with_check,
)
from hilkit.procedures.evidence.look import Look
from hilkit.procedures.lines import Line, ToneLines
from hilkit.procedures.sweeps import nice_rbw_hz
from hilkit.readings import Bound, Evidence

__all__ = ["hidden_check", "proven_db"]

_LARGEST_STEP_DB = 10.0
_LEAST_STEP_DB = 2.0
_NARROWER = 10.0
_LEAST_RBW_HZ = 100.0
_SAMPLES = 50.0
"""Fewer than for a number: such a narrow filter takes seconds for each point of a few."""

_REQUIRED = "with more input attenuation no line comes out that matters"


def hidden_check(tone: ToneLines, line: Line, name: str) -> Line:
    """Return a line known by a bound with what one more setting of the input attenuator proves of it."""
    if line.relative_dbc <= tone.depth_dbc - DEEP_DB:
        return line
    step_db, rbw_hz = _best(tone, line.relative_dbc)
    if step_db == 0.0:
        told = (
            f"{name} is lost in noise, known to be at most {line.relative_dbc:.1f} dBc: too near to "
            f"{tone.depth_dbc:g} dBc to add input attenuation and see whether the analyser's own product "
            "hides one there: not proven"
        )
        return with_check(line, not_available(NAME, told, required=_REQUIRED))
    at_db = tone.receiver.range.attenuation_db + step_db
    look = Look.like(tone, attenuation_db=at_db, rbw_hz=rbw_hz)
    beside = look.tone(samples=_SAMPLES)
    more = look.line(line.multiple, samples=_SAMPLES).against(beside)
    return compared(line, more, step_db, name)


def compared(line: Line, more: Line, step_db: float, name: str) -> Line:
    """Return ``line``, a bound, with what it is with ``step_db`` more attenuation: ``more``."""
    upper_dbc = more.relative_dbc
    if more.reading.bound is Bound.EXACT:
        upper_dbc += COVER * more.reading.sd_db
        if more.relative_dbc - COVER * more.reading.sd_db > line.relative_dbc + ACCEPTED_DB:
            return with_check(line, _came_out(line, more, step_db, name))
    proven = max(line.relative_dbc, proven_db(line.relative_dbc, upper_dbc, step_db))
    evidence = Evidence(
        name=NAME,
        held=True,
        observed=f"at most {line.relative_dbc:.1f} dBc, and {upper_dbc:.1f} dBc with {step_db:g} dB more",
        required=_REQUIRED,
        sentence=f"{name} does not come out with {step_db:g} dB more input attenuation: it is at most "
        f"{proven:.1f} dBc whatever the analyser makes",
    )
    return with_check(raised(line, proven - line.relative_dbc), evidence)


def proven_db(first_db: float, second_db: float, step_db: float) -> float:
    """Return the bound that two bounds in dBc prove, the second with ``step_db`` more attenuation."""
    falls = 10 ** (-step_db / 10)
    return 20 * math.log10((10 ** (second_db / 20) + falls * 10 ** (first_db / 20)) / (1 - falls))


def raised(line: Line, by_db: float) -> Line:
    """Return a bound that is higher, and holds where both of the bounds do that it was made of."""
    reading = line.reading
    sure = None if reading.confidence is None else 2 * reading.confidence - 1
    return replace(
        line,
        port_dbm=line.port_dbm + by_db,
        relative_dbc=line.relative_dbc + by_db,
        reading=replace(reading, level_dbm=reading.level_dbm + by_db, confidence=sure),
    )


def _best(tone: ToneLines, bound_dbc: float) -> tuple[float, float]:
    """Return the step of attenuation, and the filter, by which most is expected to be proven; 0 for none."""
    limits, first_db = tone.receiver.limits, tone.receiver.range.attenuation_db
    rbw_hz = min(tone.rbw_hz, nice_rbw_hz(max(tone.rbw_hz / _NARROWER, _LEAST_RBW_HZ), limits))
    gain_db = 10 * math.log10(tone.rbw_hz / rbw_hz)
    room_db = min(_LARGEST_STEP_DB, limits.attenuation_db[1] - first_db)
    expected = {
        step_db: proven_db(bound_dbc, bound_dbc + step_db - gain_db, step_db)
        for step_db in _steps(room_db, limits.attenuation_step_db or 1.0)
    }
    best = min(expected, key=expected.__getitem__, default=0.0)
    return (best, rbw_hz) if best and expected[best] <= tone.depth_dbc else (0.0, rbw_hz)


def _steps(room_db: float, grid_db: float) -> Iterator[float]:
    count = math.floor(room_db / grid_db + 1e-9)
    return (n * grid_db for n in range(1, count + 1) if n * grid_db >= _LEAST_STEP_DB)


def _came_out(line: Line, more: Line, step_db: float, name: str) -> Evidence:
    return Evidence(
        name=NAME,
        held=False,
        observed=f"at most {line.relative_dbc:.1f} dBc, then {more.relative_dbc:.1f} dBc",
        required=_REQUIRED,
        sentence=f"{name} comes out of the noise with {step_db:g} dB more input attenuation, at "
        f"{more.relative_dbc:.1f} dBc where at most {line.relative_dbc:.1f} dBc were read: the analyser's "
        "own product hides it",
    )
