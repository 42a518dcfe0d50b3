"""The power budget of a whole plan: the highest level at every node of the bench, and which step puts it
there."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilkit.plans.plan import Combination, Plan, Step
from hilkit.procedures.contract import Exposure, SourceExposure

if TYPE_CHECKING:
    from hilkit.bench import Bench

__all__ = ["NodePower", "power_budget"]


@dataclass(frozen=True, kw_only=True)
class NodePower:
    """The worst case at one node.

    ``level_dbm`` is the highest average level, ``peak_dbm`` the highest peak, ``None`` where the bench file
    does not say how far peaks reach. ``to_spare_db`` is what the level may still grow until margin and rating
    are reached, the lesser of average and peak, ``None`` without a rating. ``step``, ``combination`` and
    ``doing`` say what puts it there; they are empty for a node that no step reaches.
    """

    node: str
    level_dbm: float = -math.inf
    peak_dbm: float | None = None
    rating_dbm: float | None = None
    peak_rating_dbm: float | None = None
    to_spare_db: float | None = None
    step: str = ""
    combination: str = ""
    doing: str = ""


@dataclass(frozen=True, kw_only=True)
class _Case:
    level_dbm: float
    peak_dbm: float | None
    step: Step
    combination: Combination
    doing: str


def power_budget(plan: Plan, bench: Bench) -> list[NodePower]:
    """Return the worst case of every node of the bench, in the order of the signal; nothing is touched.

    Every RF state and every setting of a generator that a procedure declares is predicted as the gate does
    it. ``BenchError`` where a path has no loss at a frequency in use.
    """
    worst: dict[str, _Case] = {}
    for combination, step in plan.runs():
        for node, case in _cases(step, combination, bench):
            if node not in worst or _key(case) > _key(worst[node]):
                worst[node] = case
    named = [node for channel in bench.channels for node in bench.path(channel).nodes]
    nodes = dict.fromkeys([*named, *worst, *bench.ratings])
    return [_of_node(node, worst.get(node), bench) for node in nodes]


def _key(case: _Case) -> tuple[float, float]:
    return case.level_dbm, -math.inf if case.peak_dbm is None else case.peak_dbm


def _cases(step: Step, combination: Combination, bench: Bench) -> Iterator[tuple[str, _Case]]:
    """Yield every level that a step may put on a node."""
    from hilkit.safety.prediction import predict
    from hilkit.safety.source import source_levels_dbm

    settings = step.settings(combination)
    for exposure in step.procedure.envelope(settings, bench):
        if not exposure.state.rf_on:
            continue
        doing = _radio_text(exposure)
        for node, level in predict(bench, exposure.state).items():
            papr = bench.radio.papr_db
            peak = None if papr is None else level + papr
            yield node, _Case(level_dbm=level, peak_dbm=peak, step=step, combination=combination, doing=doing)
    for source in step.procedure.sources(settings, bench):
        levels = source_levels_dbm(
            bench,
            source.generator,
            source.lead,
            frequency_hz=source.frequency_hz,
            level_dbm=source.level_dbm,
        )
        for node, level in levels.items():
            # a carrier that nothing modulates has no peaks above its average
            yield (
                node,
                _Case(
                    level_dbm=level,
                    peak_dbm=level,
                    step=step,
                    combination=combination,
                    doing=_source_text(source),
                ),
            )


def _radio_text(exposure: Exposure) -> str:
    from hilkit.bench.path import frequency_text

    state = exposure.state
    pad = f", pad {state.pad_db:g} dB" if state.pad_db else ""
    at = frequency_text(state.carrier_hz)
    return f"channel {state.channel} at {at}, attenuation {state.attenuation_db:g} dB{pad}"


def _source_text(source: SourceExposure) -> str:
    from hilkit.bench.path import frequency_text

    return f"{source.generator} at {source.level_dbm:g} dBm and {frequency_text(source.frequency_hz)}"


def _of_node(node: str, case: _Case | None, bench: Bench) -> NodePower:
    rating, peak_rating = bench.ratings.get(node), bench.peak_ratings.get(node)
    if case is None:
        return NodePower(node=node, rating_dbm=rating, peak_rating_dbm=peak_rating)
    spare = [] if rating is None else [rating - bench.margin_db - case.level_dbm]
    if peak_rating is not None and case.peak_dbm is not None:
        spare.append(peak_rating - bench.margin_db - case.peak_dbm)
    return NodePower(
        node=node,
        level_dbm=case.level_dbm,
        peak_dbm=case.peak_dbm,
        rating_dbm=rating,
        peak_rating_dbm=peak_rating,
        to_spare_db=min(spare, default=None),
        step=case.step.id,
        combination=str(case.combination),
        doing=case.doing,
    )
