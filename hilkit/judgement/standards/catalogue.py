"""Finds the published limit on a reading: by standard, clause and what the limit depends on."""

from __future__ import annotations

from collections.abc import Mapping

from hilkit.files.shapes import near
from hilkit.judgement.standards import nr
from hilkit.judgement.standards.conditions import Conditions, Published, choose
from hilkit.judgement.standards.emissions import emission_mask, spurious, spurious_itu
from hilkit.judgement.standards.source import StandardMistake
from hilkit.judgement.standards.station import STATION_RULES, Rule
from hilkit.readings import ReadingSpec

__all__ = ["STANDARDS", "published"]

_Rules = Mapping[str, tuple[tuple[str, str, Rule], ...]]
STANDARDS: Mapping[str, _Rules] = {
    "ts_38_104": {
        **STATION_RULES["ts_38_104"],
        "6.6.4": (("", "dBm", emission_mask),),
        "6.6.5": (("", "dBm", spurious),),
    },
    "ts_36_104": {**STATION_RULES["ts_36_104"], "6.6.4": (("", "dBm", spurious),)},
    "itu_r_sm_329": {"4.2": (("", "dBm", spurious_itu),)},
}
"""Standard, clause, and what its limits are on: a word in the reading's name, its unit, the rule."""


def published(standard: str, clause: str, spec: ReadingSpec, conditions: Conditions) -> Published:
    """Return the limit on a reading; ``StandardMistake`` where there is none, or more must be known."""
    clauses = STANDARDS[choose("standard", standard, tuple(STANDARDS), "standard")]
    if clause not in clauses:
        meant = near(clause, clauses)
        raise StandardMistake(
            "clause",
            f"hilkit has no limits of this clause of {standard}",
            seen=clause,
            allowed=", ".join(clauses),
            next_step=f"did you mean {meant}?" if meant else "",
        )
    rule = _rule(clause, clauses[clause], spec)
    _check(standard, conditions)
    found = rule(conditions, standard == "ts_36_104")
    offset = rule is emission_mask
    if found.points and (spec.index_unit != "Hz" or offset != ("offset" in spec.index_name)):
        over = "the offset from the channel edge" if offset else "frequency"
        raise StandardMistake(
            "clause",
            f"this limit changes over {over}, and {spec.name} is no series over that",
            seen=clause,
            next_step="put it at a reading that is one",
        )
    return found


def _rule(clause: str, rules: tuple[tuple[str, str, Rule], ...], spec: ReadingSpec) -> Rule:
    for word, unit, rule in rules:
        if word in spec.name and unit == spec.unit:
            return rule
    names = [f"{word} in {unit}".strip() if word else f"a reading in {unit}" for word, unit, _ in rules]
    raise StandardMistake(
        "clause",
        f"clause {clause} limits something else than {spec.name} in {spec.unit}",
        seen=clause,
        allowed=", ".join(names),
        next_step="take the clause that limits this reading",
    )


def _check(standard: str, conditions: Conditions) -> None:
    """Refuse what cannot be whatever the limit: no requirement named, a carrier outside its band."""
    if standard == "itu_r_sm_329":
        if conditions.requirement:
            raise StandardMistake(
                "requirement", "this Recommendation knows one limit only", next_step="take this key away"
            )
        return
    choose("requirement", conditions.requirement, ("minimum", "test"), "requirement")
    if standard == "ts_38_104" and conditions.band:
        low, high = nr.band(conditions.band).downlink_hz
        if conditions.carrier is not None and not low <= conditions.carrier <= high:
            raise StandardMistake(
                "band",
                f"the carrier of {conditions.carrier / 1e6:g} MHz lies outside the downlink of this band",
                seen=conditions.band,
                allowed=", ".join(nr.bands_at(conditions.carrier)) or "no band that hilkit knows",
            )
