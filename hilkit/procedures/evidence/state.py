"""The state around the lines: references before and after, and a level that came back."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from hilkit.judgement import not_available
from hilkit.procedures.evidence.attenuation import ACCEPTED_DB, COVER
from hilkit.readings import Evidence

if TYPE_CHECKING:
    from hilkit.safety import Session

__all__ = ["DRIFT_DB", "References", "drift_check", "scatter_db", "settled_check"]

DRIFT_DB = 0.2
"""Largest change of a level between its first and its last reading (common practice, no source)."""

_KEPT = "the same before and after, the analyser's locked"


class References:
    """The references of analyser and radio, looked at before the first sweep and after the last."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._before = self._look()

    def check(self) -> Evidence:
        """Return whether both kept their references since this was made."""
        before, after = self._before, self._look()
        if before[0] is None or after[0] is None:
            return not_available(
                "reference held",
                "the analyser cannot tell whether it is locked to its reference",
                required=_KEPT,
            )
        lost = [
            f"{owner} was {_state(was)} before and is {_state(now)} after"
            for owner, was, now in zip(("the analyser", "the radio"), before, after, strict=True)
            if was != now
        ]
        if not (before[0] or after[0]):
            lost.append("the analyser is not locked before or after")
        return Evidence(
            name="reference held",
            held=not lost,
            observed=f"analyser {_state(before[0])}, then {_state(after[0])}; "
            f"radio {before[1]}, then {after[1]}",
            required=_KEPT,
            sentence=f"the reference did not hold: {'; '.join(lost)}" if lost else "both references held",
        )

    def _look(self) -> tuple[bool | None, str]:
        return self._session.analyser.status().reference_locked, self._session.radio.reference_state()


def drift_check(change_db: float, sd_db: float, *, what: str) -> Evidence:
    """Return whether a level read first and again at the end is the same."""
    held = abs(change_db) <= DRIFT_DB + COVER * sd_db
    observed = f"{change_db:+.3f} dB"
    return Evidence(
        name="drift",
        held=held,
        observed=observed,
        required=f"at most {DRIFT_DB:g} dB",
        sentence=f"{what} came back to its level"
        if held
        else f"{what} drifted by {observed} from its first to its last reading: what was read in "
        "between belongs to no one level",
    )


def settled_check(change_db: float, sd_db: float, *, what: str) -> Evidence:
    """Return whether two readings in a row agree within their scatter, and within 0.5 dB."""
    held = abs(change_db) <= ACCEPTED_DB + COVER * sd_db
    return Evidence(
        name="settled",
        held=held,
        observed=f"{change_db:+.3f} dB between two readings, standard uncertainty {sd_db:.2g} dB",
        required=f"at most {ACCEPTED_DB:g} dB and {COVER:g} standard uncertainties",
        sentence=f"{what} reads the same twice"
        if held
        else f"{what} changed by {change_db:+.2f} dB from one reading to the next: it has not settled",
    )


def scatter_db(*parts_db: float) -> float:
    """Return the standard deviation of a difference of readings."""
    return math.hypot(*parts_db)


def _state(seen: bool | str | None) -> str:
    return {True: "locked", False: "not locked", None: "unknown"}.get(seen, str(seen))  # type: ignore[arg-type]
