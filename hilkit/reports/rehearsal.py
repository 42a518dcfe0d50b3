"""What a rehearsal has found beside its verdicts: times, levels, refusals, doubts; and what it cannot."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hilkit.reports.lines import Line, clock_text, line, wrapped
from hilkit.reports.table import table

__all__ = ["LIMITS", "NodeSeen", "RehearsalFindings", "StepTime", "rehearsal_block", "rehearsal_line"]

LIMITS = (
    "whether the instruments know the commands and answer as the reply patterns say: the counterparts were "
    "made from the same driver files. `hilkit inspect` and `hilkit talk` ask the instruments",
    "what an instrument does beside what it is told, such as one setting that moves another",
    "whether the bench is as its file says: cables, losses, loads, ratings, what is connected where",
    "the readings of your radio: those here come from a model, and so do their verdicts",
    "how long your instruments and your radio take beyond what the driver files say",
)
"""What a rehearsal cannot find."""


@dataclass(frozen=True, kw_only=True)
class NodeSeen:
    """The highest level in dBm that the simulation put on a node, and what the node stands."""

    node: str
    average_dbm: float
    peak_dbm: float
    predicted_dbm: float
    rating_dbm: float | None = None
    peak_rating_dbm: float | None = None

    @property
    def to_spare_db(self) -> float | None:
        """How far the level stayed below the rating, the lesser of average and peak; no margin taken off."""
        spare = []
        if self.rating_dbm is not None:
            spare.append(self.rating_dbm - self.average_dbm)
        if self.peak_rating_dbm is not None:
            spare.append(self.peak_rating_dbm - self.peak_dbm)
        return min(spare, default=None)


@dataclass(frozen=True, kw_only=True)
class StepTime:
    """The bench time of one step over all combinations, in seconds."""

    step: str
    count: int
    longest_s: float
    total_s: float


@dataclass(frozen=True, kw_only=True)
class RehearsalFindings:
    """All that a rehearsal tells beside the run.

    ``refused`` are reasons for which a run on the real bench would not begin, ``told`` what it would warn of
    or ask for, ``doubts`` what looks wrong in driver files.
    """

    bench: str
    seed: int
    nodes: Sequence[NodeSeen] = ()
    times: Sequence[StepTime] = ()
    refused: Sequence[str] = ()
    told: Sequence[str] = ()
    doubts: Sequence[str] = ()


def rehearsal_line(bench: str, *, width: int) -> list[Line]:
    """Return what a rehearsal begins and ends with."""
    return wrapped(
        f"REHEARSAL of {bench}: simulated counterparts stood in for every instrument and for the radio; "
        "nothing of the bench was opened",
        width=width,
        hanging="  ",
        style="simulated",
    )


def rehearsal_block(found: RehearsalFindings, *, width: int) -> list[Line]:
    """Return everything that a rehearsal has found, the refusals last, where they are seen."""
    lines = [line(), *rehearsal_line(found.bench, width=width)]
    lines += _times(found.times, width)
    lines += _nodes(found.nodes, width)
    lines += _list("what looks wrong in the driver files", found.doubts, width, "inconc")
    lines += _list("a rehearsal cannot find", LIMITS, width, "quiet")
    lines += _list("a run on the real bench would tell or ask for", found.told, width, "inconc")
    lines += _list("A RUN ON THE REAL BENCH WOULD BE REFUSED", found.refused, width, "fail")
    return lines


def _times(times: Sequence[StepTime], width: int) -> list[Line]:
    if not times:
        return []
    rows = [
        (each.step, str(each.count), clock_text(each.longest_s), clock_text(each.total_s), "")
        for each in times
    ]
    rows.append(("all", "", "", clock_text(sum(each.total_s for each in times)), ""))
    heading = ("step", "times", "longest", "together", "")
    return [
        line(),
        line("predicted bench time (simulated)", "heading"),
        *table(heading, rows, width=width, right=(1, 2, 3)),
    ]


def _nodes(nodes: Sequence[NodeSeen], width: int) -> list[Line]:
    if not nodes:
        return []
    heading = ("node", "average", "peak", "predicted", "rated", "to spare", "")
    rows = [_row(node) for node in nodes]
    title = "highest level that the simulation put on every node"
    return [
        line(),
        line(title, "heading"),
        *table(heading, rows, width=width, right=(1, 2, 3, 4, 5)),
    ]


def _row(node: NodeSeen) -> tuple[str, ...]:
    rated = "" if node.rating_dbm is None else f"{node.rating_dbm:g} dBm"
    if node.peak_rating_dbm is not None:
        rated = f"{node.rating_dbm:g}/{node.peak_rating_dbm:g} dBm"
    spare = node.to_spare_db
    over = spare is not None and spare < 0
    return (
        node.node,
        _dbm(node.average_dbm),
        _dbm(node.peak_dbm),
        _dbm(node.predicted_dbm),
        rated,
        "" if spare is None or not math.isfinite(spare) else f"{spare:.1f} dB",
        "TOO HIGH" if over else "",
    )


def _dbm(level: float) -> str:
    return f"{level:.1f} dBm" if math.isfinite(level) else "-"


def _list(title: str, sentences: Sequence[str], width: int, style: str) -> list[Line]:
    if not sentences:
        return []
    lines = [line(), line(title, "heading" if style == "quiet" else style)]
    for sentence in sentences:
        lines += wrapped(sentence, width=width, indent="- ", hanging="  ")
    return lines
