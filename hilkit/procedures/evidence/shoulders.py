"""Made by the analyser? The leakage of a stream is read at several settings of the input attenuator.

The analyser's mixer makes shoulders of its own, 2 dB less in dBc for each dB of attenuation, while its floor
rises by 1 dB: between the two there is a best level, which is searched and not assumed. Where the leakage is
lost in the floor before three settings have shown it, the intercept that the bench file states says how much
the analyser can have added or hidden.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilkit.judgement import not_available
from hilkit.procedures.evidence.attenuation import (
    ACCEPTED_DB,
    NAME,
    REQUIRED,
    Setting,
    accepted,
    left_over_db,
    not_accepted,
)
from hilkit.readings import Evidence

if TYPE_CHECKING:
    from hilkit.bench import Bench

__all__ = ["Chosen", "best_setting", "own_density_db", "own_shoulder_db", "steady_evidence"]

_HIDES_LITTLE_DB = -10.0
"""Highest level of the analyser's own product against what was read: it then adds or takes 3.3 dB at most."""


@dataclass(frozen=True, kw_only=True)
class Chosen:
    """Which of the settings to believe, how far off in dB the analyser may have it, and how that is known."""

    index: int
    rest_db: float
    source: str
    evidence: Evidence


def best_setting(settings: list[Setting], own_db: list[float | None], name: str) -> Chosen:
    """Return the setting to believe among ``settings``, in the order of rising attenuation.

    ``own_db`` is the analyser's own product at each of them against the carrier, by its stated intercept;
    ``None`` where nothing is stated.
    """
    if accepted(settings):
        return _by_steps(settings, name)
    doubt = not_accepted(settings, name)
    usable = [index for index, each in enumerate(settings) if not each.gone]
    best = usable[-1] if usable and doubt.held is False else 0
    own = own_db[best]
    if doubt.held is False and usable and not settings[-1].gone:
        return Chosen(index=best, rest_db=0.0, source="", evidence=doubt)
    if own is None or own - settings[best].level_db > _HIDES_LITTLE_DB:
        return Chosen(index=best, rest_db=0.0, source="", evidence=_open(settings[best], own, name))
    under_db = own - settings[best].level_db
    evidence = Evidence(
        name=NAME,
        held=True,
        observed=f"{settings[best].level_db:.1f} dBc at {settings[best].attenuation_db:g} dB; lost in the "
        f"floor before {settings[-1].attenuation_db:g} dB",
        required=REQUIRED,
        sentence=f"{name}: by its stated intercept the analyser's own product lies {-under_db:.1f} dB under "
        "what was read",
    )
    rest_db = -20 * math.log10(1 - 10 ** (under_db / 20))
    return Chosen(index=best, rest_db=rest_db, source="its intercept in the bench file", evidence=evidence)


def own_shoulder_db(bench: Bench, mixer_dbm: float, *, beyond: bool = False) -> float | None:
    """Return what the analyser itself puts into one adjacent channel against the carrier, at most.

    For a stream like Gaussian noise of power P a third-order term leaves 2 (P/IP)^2 in all (moments of a
    complex Gaussian); of a flat band a sixth of it lies in the same width next to it on either side (three
    flat bands convolved), and nothing further than one and a half widths from the carrier: ``beyond``. There
    a tenth of what is next to it is taken for higher orders and edges that are not steep (common practice, no
    source). IP is the intercept of the bench file.
    """
    analyser = next(iter(bench.of_class("signal_analyser")), None)
    intercept = analyser.accuracy.third_order_intercept if analyser and analyser.accuracy else None
    if intercept is None:
        return None
    return 2 * (mixer_dbm - intercept.dbm) - 10 * math.log10(3.0) - (10.0 if beyond else 0.0)


def own_density_db(bench: Bench, mixer_dbm: float, *, share: float) -> float | None:
    """Return what the analyser itself puts into a narrow band beside the carrier against it, at most.

    ``share`` is the band's part of the carrier's width. Three flat bands convolved have half of their
    greatest mean density at the edge of the carrier, where they are highest beside it: (P/IP)^2 times the
    share, with the same intercept as in :func:`own_shoulder_db`.
    """
    in_channel_db = own_shoulder_db(bench, mixer_dbm)
    return None if in_channel_db is None else in_channel_db + 10 * math.log10(3.0 * share)


def steady_evidence(settings: list[Setting], name: str) -> Evidence:
    """Return the evidence of settings that were accepted."""
    last, before = settings[-1], settings[-2]
    change_db, sd_db = last.level_db - before.level_db, math.hypot(last.sd_db, before.sd_db)
    if _steady(settings):
        more_db = last.attenuation_db - settings[0].attenuation_db
        sentence = f"{name} stays with {more_db:g} dB more input attenuation"
    else:
        sentence = (
            f"{name} is read at {before.attenuation_db:g} dB of input attenuation: at "
            f"{settings[0].attenuation_db:g} dB the analyser's own product changed it by "
            f"{settings[0].level_db - before.level_db:+.1f} dB"
        )
    return Evidence(
        name=NAME,
        held=True,
        observed=f"{change_db:+.2f} dB from {before.attenuation_db:g} to {last.attenuation_db:g} dB, "
        f"standard uncertainty {sd_db:.2g} dB",
        required=REQUIRED,
        sentence=sentence,
    )


def _by_steps(settings: list[Setting], name: str) -> Chosen:
    index = 0 if _steady(settings) else len(settings) - 2
    return Chosen(
        index=index,
        rest_db=left_over_db(settings, settings[index]),
        source="change with more input attenuation",
        evidence=steady_evidence(settings, name),
    )


def _steady(settings: list[Setting]) -> bool:
    return all(abs(each.level_db - settings[0].level_db) <= ACCEPTED_DB for each in settings)


def _open(chosen: Setting, own_db: float | None, name: str) -> Evidence:
    why = (
        "the bench file states no intercept of the analyser"
        if own_db is None
        else f"by its intercept the analyser itself may make {own_db:.1f} dBc"
    )
    return not_available(
        NAME,
        f"{name}, read at {chosen.level_db:.1f} dBc, is lost in the floor with more input attenuation, and "
        f"{why}: not proven to be the unit's",
        required=REQUIRED,
    )
