"""Made by the analyser? A product of two lines or more is read again with more input attenuation.

Third order of the analyser falls 2 dB in dBc for each dB of attenuation, what the unit sends stays. Three
settings at least: where the analyser's product stands against the unit's, two of them can show the same sum.
A change between the last two of at most 0.5 dB, known to a third of that, is accepted; what may still be in
it goes into the budget. The setting that is good enough is searched, not assumed: while the line changes and
the floor permits it, one more step is taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hilkit.judgement import not_available
from hilkit.procedures.evidence.look import Look
from hilkit.procedures.lines import Line, ToneLines
from hilkit.procedures.sweeps import SAMPLES, nice_rbw_hz
from hilkit.readings import Bound, Budget, BudgetLine, Evidence

if TYPE_CHECKING:
    from hilkit.instruments import AnalyserLimits

__all__ = [
    "ACCEPTED_DB",
    "COVER",
    "NAME",
    "REQUIRED",
    "Setting",
    "Steps",
    "accepted",
    "attenuation_check",
    "left_over_db",
    "not_accepted",
    "search",
]

NAME = "more attenuation"
NAME_OF_DEEP = "more attenuation, deep line"
DEEP_DB = 10.0
"""A line this far under the lowest one that matters hides the unit's only if amplitudes match to a third."""

ACCEPTED_DB = 0.5
"""Largest change between the last two settings, and largest value of three times its uncertainty."""

COVER = 3.0
LEAST_ABOVE_FLOOR_DB = 13.0
"""Distance from the floor that a line keeps at every setting: 0.1 dB at 200 samples a point."""

_LARGEST_STEP_DB = 10.0
_LEAST_STEP_DB = 2.0
_NARROWER = 10.0
"""How much narrower the filter may get for the test; the time of a sweep grows with it."""

_LEAST_RBW_HZ = 1e3
_MORE_SAMPLES = 4.0
REQUIRED = f"the last step changes it by at most {ACCEPTED_DB:g} dB, known to a third of that"


@dataclass(frozen=True, kw_only=True)
class Setting:
    """A product at one input attenuation, in dB against the tone there; ``gone`` into the noise it is a
    bound."""

    attenuation_db: float
    level_db: float
    sd_db: float
    gone: bool = False
    line: Line | None = None


@dataclass(frozen=True, kw_only=True)
class Steps:
    """The settings that attenuator and floor permit: ``first_db`` and up to ``most`` steps of ``step_db``."""

    first_db: float
    step_db: float
    most: int
    rbw_hz: float


Reader = Callable[[float, float], Setting]
"""Reads a product at an input attenuation, with a multiple of the usual samples."""


def attenuation_check(tone: ToneLines, tone_line: Line, line: Line, name: str) -> Line:
    """Return ``line`` with its evidence and what the analyser may have left in it.

    Where the attenuation of the first reading was too little and a higher one shows the unit's own product,
    it is the line as read there.
    """
    steps = steps_for(tone, line.reading.above_floor_db)
    if isinstance(steps, str):
        deep = line.relative_dbc <= tone.depth_dbc - DEEP_DB
        kind = NAME_OF_DEEP if deep else NAME
        return with_check(line, not_available(kind, f"{name}: {steps}", required=REQUIRED))

    def read(attenuation_db: float, share: float) -> Setting:
        look = Look.like(tone, attenuation_db=attenuation_db, rbw_hz=steps.rbw_hz)
        beside = look.tone(samples=share * SAMPLES)
        found = look.line(line.multiple, samples=share * SAMPLES).against(beside)
        return _setting(attenuation_db, found, beside)

    first = _setting(steps.first_db, line, tone_line) if steps.rbw_hz == tone.rbw_hz else None
    settings = search(read, steps, first=first)
    return _judged(line, settings, name)


def steps_for(tone: ToneLines, above_floor_db: float) -> Steps | str:
    """Return the largest steps that attenuator and floor permit, or a sentence that says what does not."""
    limits, first_db = tone.receiver.limits, tone.receiver.range.attenuation_db
    grid_db = limits.attenuation_step_db or 1.0
    room_db = limits.attenuation_db[1] - first_db
    if room_db < 2 * _LEAST_STEP_DB:
        return (
            f"the analyser's attenuator stands at {first_db:g} dB and ends at "
            f"{limits.attenuation_db[1]:g} dB: no room to see whether the analyser makes it"
        )
    rbw_hz = _filter_hz(tone.rbw_hz, 2 * _LARGEST_STEP_DB + LEAST_ABOVE_FLOOR_DB - above_floor_db, limits)
    gain_db = 10 * math.log10(tone.rbw_hz / rbw_hz)
    down_db = above_floor_db + gain_db - LEAST_ABOVE_FLOOR_DB
    step_db = math.floor(min(_LARGEST_STEP_DB, room_db / 2, down_db / 2) / grid_db + 1e-9) * grid_db
    if step_db < _LEAST_STEP_DB:
        return (
            f"{above_floor_db:.1f} dB above the floor is too little to add input attenuation and see "
            "whether the analyser makes it"
        )
    most = math.floor(min(room_db, down_db) / step_db + 1e-9)
    return Steps(first_db=first_db, step_db=step_db, most=most, rbw_hz=rbw_hz)


def search(read: Reader, steps: Steps, *, first: Setting | None = None) -> list[Setting]:
    """Read three settings, and more of them until the last step is accepted or none is left.

    A line that is gone ends it: the floor alone would have left it standing.
    """
    settings = [first or read(steps.first_db, 1.0)]
    while len(settings) <= 2 or (len(settings) <= steps.most and not accepted(settings)):
        settings.append(read(steps.first_db + len(settings) * steps.step_db, 1.0))
        if settings[-1].gone:
            return settings
    if COVER * _change(settings)[1] > ACCEPTED_DB:
        settings[-2:] = [read(each.attenuation_db, _MORE_SAMPLES) for each in settings[-2:]]
    return settings


def left_over_db(settings: list[Setting], chosen: Setting) -> float:
    """Return how far ``chosen`` may lie from what the unit sends, by what the settings showed.

    An amplitude of the analyser falls to f = 10^(-s/10) with a step of s dB in third order. Of a last change
    by d, as a part of the amplitude, d f/(1 - f) of the amplitude before it may be left.
    """
    step_db = settings[-1].attenuation_db - settings[-2].attenuation_db
    falls = 10 ** (-step_db / 10)
    moved = 10 ** (abs(_change(settings)[0]) / 20) - 1
    rest = min(moved * falls / (1 - falls), 0.9)
    return abs(settings[-1].level_db - chosen.level_db) - 20 * math.log10(1 - rest)


def with_check(line: Line, evidence: Evidence) -> Line:
    """Return the line with one more check."""
    return replace(line, evidence=(*line.evidence, evidence))


def _filter_hz(rbw_hz: float, wanted_db: float, limits: AnalyserLimits) -> float:
    if wanted_db <= 0:
        return rbw_hz
    narrower = min(10 ** (wanted_db / 10), _NARROWER)
    return min(rbw_hz, nice_rbw_hz(max(rbw_hz / narrower, _LEAST_RBW_HZ), limits))


def _setting(attenuation_db: float, line: Line, tone: Line) -> Setting:
    sd_db = math.hypot(line.reading.sd_db, tone.reading.sd_db)
    return Setting(
        attenuation_db=attenuation_db,
        level_db=line.relative_dbc,
        sd_db=sd_db,
        gone=line.reading.bound is Bound.UPPER,
        line=line,
    )


def _change(settings: list[Setting], back: int = 1) -> tuple[float, float]:
    last, before = settings[-1], settings[-1 - back]
    return last.level_db - before.level_db, math.hypot(last.sd_db, before.sd_db)


def accepted(settings: list[Setting]) -> bool:
    """Return whether the last of three settings or more changed nothing, and that is known."""
    change_db, sd_db = _change(settings)
    near = abs(change_db) <= ACCEPTED_DB and COVER * sd_db <= ACCEPTED_DB
    return len(settings) > 2 and near and not settings[-1].gone


def _judged(line: Line, settings: list[Setting], name: str) -> Line:
    if not accepted(settings):
        return with_check(line, not_accepted(settings, name))
    steady = all(abs(each.level_db - settings[0].level_db) <= ACCEPTED_DB for each in settings)
    chosen = settings[0] if steady else settings[-2]
    reached = chosen.line if chosen.line is not None and not steady else line
    change_db, sd_db = _change(settings)
    from_db, to_db = settings[0].attenuation_db, settings[-1].attenuation_db
    if steady:
        sentence = f"{name} stays with {to_db - from_db:g} dB more input attenuation"
    else:
        sentence = (
            f"{name} is read at {chosen.attenuation_db:g} dB of input attenuation: at {from_db:g} dB the "
            f"analyser's own product changed it by {settings[0].level_db - chosen.level_db:+.1f} dB"
        )
    evidence = Evidence(
        name=NAME,
        held=True,
        observed=f"{change_db:+.2f} dB from {settings[-2].attenuation_db:g} to {to_db:g} dB, standard "
        f"uncertainty {sd_db:.2g} dB",
        required=REQUIRED,
        sentence=sentence,
    )
    rest_db = left_over_db(settings, chosen)
    told = with_rest(reached, rest_db, "analyser's own product", "change with more input attenuation")
    return with_check(told, evidence)


def not_accepted(settings: list[Setting], name: str) -> Evidence:
    """Return the evidence of settings that were not accepted: failed, or not available."""
    change_db, sd_db = _change(settings)
    total_db, total_sd_db = _change(settings, back=len(settings) - 1)
    more_db = settings[-1].attenuation_db - settings[0].attenuation_db
    real = [
        (db, apart)
        for db, sd, apart in (
            (total_db, total_sd_db, more_db),
            (change_db, sd_db, settings[-1].attenuation_db - settings[-2].attenuation_db),
        )
        if abs(db) > ACCEPTED_DB + (0.0 if settings[-1].gone else COVER * sd)
    ]
    observed = ", ".join(f"{each.level_db:.1f} dBc at {each.attenuation_db:g} dB" for each in settings)
    if not real:
        told = (
            f"{name} changed by {change_db:+.2f} dB with the last step of input attenuation, which noise "
            f"of {sd_db:.2g} dB does not prove or disprove: not proven to be the unit's"
        )
        return Evidence(name=NAME, held=None, observed=observed, required=REQUIRED, sentence=told)
    return Evidence(
        name=NAME,
        held=False,
        observed=observed,
        required=REQUIRED,
        sentence=_blamed(name, *real[0], gone=settings[-1].gone),
    )


def _blamed(name: str, change_db: float, more_db: float, *, gone: bool) -> str:
    least = "at least " if gone else ""
    moved = f"{'fell' if change_db < 0 else 'rose'} {least}{abs(change_db):.1f} dB"
    said = f"{name} {moved} with {more_db:g} dB more input attenuation"
    if change_db < 0:
        return f"{said}: the analyser makes it"
    if abs(change_db - more_db) <= 1.0:
        return f"{said}: it comes from behind the attenuator, a residual line of the analyser"
    return f"{said}: the analyser's own product hides a part of it"


def with_rest(line: Line, rest_db: float, quantity: str, source: str) -> Line:
    """Return the line with a budget line for what may be left in it, +-``rest_db``."""
    half_db = float(f"{rest_db:.2g}")
    if half_db <= 0:
        return line
    rest = BudgetLine.from_half_width(quantity, half_db, unit="dB", source=source)

    def longer(budget: Budget) -> Budget:
        return replace(budget, lines=(*budget.lines, rest))

    relative = None if line.relative_budget is None else longer(line.relative_budget)
    return replace(line, budget=longer(line.budget), relative_budget=relative)
