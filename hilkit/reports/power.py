"""The power budget of a plan as a table: what every node may get, what it stands, and who puts it there."""

from __future__ import annotations

import math
from collections.abc import Sequence

from hilkit.plans.power import NodePower
from hilkit.reports.lines import Line, line, wrapped
from hilkit.reports.table import table

__all__ = ["power_block"]


def power_block(nodes: Sequence[NodePower], *, margin_db: float, width: int) -> list[Line]:
    """Return the table of the worst case at every node, each with the step that reaches it below."""
    peaks = any(node.peak_rating_dbm is not None for node in nodes)
    heading = ("node", "highest", *(("peak",) if peaks else ()), "rated", "to spare", "")
    rows = [_row(node, peaks) for node in nodes]
    below = [_where(node, width) for node in nodes]
    right = tuple(range(1, len(heading) - 1))
    left = f"to spare is what is left after a margin of {margin_db:g} dB"
    return [
        *wrapped(f"highest level predicted at every node; {left}", width=width, style="heading"),
        *table(heading, rows, width=width, right=right, below=below),
    ]


def _row(node: NodePower, peaks: bool) -> tuple[str, ...]:
    reached = math.isfinite(node.level_dbm)
    level = f"{node.level_dbm:.1f} dBm" if reached else "no power"
    peak = f"{node.peak_dbm:.1f} dBm" if reached and node.peak_dbm is not None else ""
    rated = "" if node.rating_dbm is None else f"{node.rating_dbm:g} dBm"
    if node.peak_rating_dbm is not None:
        rated = f"{node.rating_dbm:g}/{node.peak_rating_dbm:g} dBm"
    spare = "" if node.to_spare_db is None else f"{node.to_spare_db:.1f} dB"
    return (node.node, level, *((peak,) if peaks else ()), rated, spare, _word(node))


def _word(node: NodePower) -> str:
    if node.rating_dbm is None:
        return "not rated" if math.isfinite(node.level_dbm) else ""
    return "" if node.to_spare_db is None or node.to_spare_db >= 0 else "TOO HIGH"


def _where(node: NodePower, width: int) -> list[Line]:
    if not node.step:
        return []
    vary = f" with {node.combination}" if node.combination else ""
    return wrapped(
        f"{node.step}{vary}: {node.doing}", width=width, indent="    ", hanging="      ", style="quiet"
    ) or [line()]
