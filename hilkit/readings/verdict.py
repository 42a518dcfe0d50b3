"""Verdicts and their combination (ETSI ES 201 873-1, clause 24, overwriting rules)."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

__all__ = ["Verdict", "overall"]


class Verdict(StrEnum):
    """The five verdicts of TTCN-3. ``error`` is given by the run itself, never by a limit."""

    NONE = "none"
    PASS = "pass"
    INCONC = "inconc"
    FAIL = "fail"
    ERROR = "error"

    def overwritten_by(self, new: Verdict) -> Verdict:
        """Return the verdict after ``new`` is set: the later in none, pass, inconc, fail, error."""
        return max(self, new, key=_ORDER.index)


_ORDER = (Verdict.NONE, Verdict.PASS, Verdict.INCONC, Verdict.FAIL, Verdict.ERROR)


def overall(verdicts: Iterable[Verdict]) -> Verdict:
    """Combine the verdicts of parts into one; ``none`` where there is none."""
    result = Verdict.NONE
    for verdict in verdicts:
        result = result.overwritten_by(verdict)
    return result
