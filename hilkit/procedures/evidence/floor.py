"""Distance to the floor: taken off in power where that is valid, a bound below 10 dB."""

from __future__ import annotations

from hilkit.analysis.lines import BOUND_UNDER_DB
from hilkit.readings import Bound, Evidence, Trace

__all__ = ["floor_check", "floor_text"]


def floor_text(above_floor_db: float) -> str:
    """Return the distance of a reading to the floor in words; what averaging resolves can lie below it."""
    side = "below" if above_floor_db < 0 else "above"
    return f"{abs(above_floor_db):.1f} dB {side} the floor"


def floor_check(above_floor_db: float, bound: Bound, trace: Trace, *, name: str) -> Evidence:
    """Return whether the noise under a reading was dealt with rightly.

    Only power adds: a floor can be taken off what an RMS detector and an average of powers gave, and nothing
    else.
    """
    powers = trace.detector == "rms" and (trace.average_type == "power" or trace.averages <= 1)
    seen = floor_text(above_floor_db)
    if not powers:
        sentence = (
            f"{name}: the floor was taken off a trace of detector {trace.detector} and average "
            f"{trace.average_type}, where powers do not add"
        )
    elif bound is Bound.EXACT:
        sentence = f"{name} stands {seen}, which was taken off"
    else:
        sentence = f"{name} stands {seen}: a bound"
    return Evidence(
        name="distance to the floor",
        held=powers,
        observed=f"{seen}, detector {trace.detector}, average {trace.average_type}",
        required=f"at least {BOUND_UNDER_DB:g} dB or a bound; powers, where a floor is taken off",
        sentence=sentence,
    )
