"""The power budget: the highest level that a state can put on each node, before anything is sent."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from hilkit.bench.path import frequency_text
from hilkit.errors import SafetyStop
from hilkit.safety.states import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench, InstrumentSpec

__all__ = ["REFUSED", "Overload", "overloads", "power_sum_dbm", "predict", "proven", "refuse_overload"]


REFUSED = "refused before anything was sent"


def predict(bench: Bench, state: RfState, *, unknown: frozenset[str] = frozenset()) -> dict[str, float]:
    """Return the highest average level in dBm that ``state`` can put on each node of its channel's path.

    The radio's highest level less the commanded transmit attenuation, less the least loss to the node
    anywhere in the radio's bandwidth around the carrier, less the pad; an amplifier's gain adds. An
    attenuation that the driver file cannot read back proves nothing and counts as none, a switch in
    ``unknown`` position as 0 dB. A stream below full scale earns no credit: its peaks, or a radio that
    ignores its level, may reach full scale. With RF off every level is minus infinity.

    Raises ``PathError`` for a frequency at which the path has no loss: an unknown loss is no loss.
    """
    path = bench.path(state.channel)
    if not state.rf_on:
        return dict.fromkeys(path.nodes, -math.inf)
    attenuation_db = max(0.0, state.attenuation_db) if proven(bench.radio_spec) else 0.0
    at_port = bench.radio.max_level_dbm - attenuation_db
    pad = bench.instruments.get(path.pad_instrument or "")
    pad_db = state.pad_db if pad is None or proven(pad) else 0.0
    width = bench.radio.bandwidth_hz
    return {
        node: at_port
        - path.min_loss_to(node, state.carrier_hz, pad_db=pad_db, bandwidth_hz=width, unknown=unknown)
        for node in path.nodes
    }


def proven(spec: InstrumentSpec) -> bool:
    """Return whether an attenuation that was set is read back, by the driver file."""
    capability = spec.dialect.capabilities.get("attenuation")
    return capability is None or capability.verified


def power_sum_dbm(levels_dbm: Iterable[float]) -> float:
    """Return the level of several signals together in dBm, as their powers add."""
    total = sum(10.0 ** (level / 10.0) for level in levels_dbm)
    return 10.0 * math.log10(total) if total > 0 else -math.inf


@dataclass(frozen=True, kw_only=True)
class Overload:
    """A node that would get more than it stands, on average or in the peaks of the envelope."""

    node: str
    level_dbm: float
    rating_dbm: float
    allowed_dbm: float
    kind: Literal["average", "peak"] = "average"

    @property
    def excess_db(self) -> float:
        """How much less would be allowed."""
        return self.level_dbm - self.allowed_dbm

    @property
    def level_text(self) -> str:
        """The level as messages have it; that it is an average goes without saying."""
        return f"{self.level_dbm:.1f} dBm" + (" in its peaks" if self.kind == "peak" else "")

    @property
    def rating_text(self) -> str:
        """The rating as messages have it."""
        return f"{self.rating_dbm:g} dBm" + (" peak" if self.kind == "peak" else "")


def overloads(bench: Bench, levels_dbm: Mapping[str, float]) -> list[Overload]:
    """Return the nodes whose level exceeds a rating less the margin, the worst first.

    Average levels are compared with the average rating, and with ``papr_db`` on top with the peak rating
    where there is one. A level that is not a number counts as exceeding.
    """
    found = [
        overload
        for node, level in levels_dbm.items()
        for overload in (
            _overload(bench, node, level, bench.ratings, "average"),
            _overload(bench, node, level + (bench.radio.papr_db or 0.0), bench.peak_ratings, "peak"),
        )
        if overload is not None
    ]
    return sorted(found, key=lambda overload: -overload.excess_db)


def _overload(
    bench: Bench,
    node: str,
    level_dbm: float,
    ratings: Mapping[str, float],
    kind: Literal["average", "peak"],
) -> Overload | None:
    rating = ratings.get(node)
    if rating is None or level_dbm <= rating - bench.margin_db:
        return None
    allowed = rating - bench.margin_db
    return Overload(node=node, level_dbm=level_dbm, rating_dbm=rating, allowed_dbm=allowed, kind=kind)


def refuse_overload(bench: Bench, state: RfState, levels_dbm: Mapping[str, float]) -> None:
    """Raise ``SafetyStop`` for the worst overload: node, level, rating, and what would be safe."""
    refuse_shared_port(bench, state)
    found = overloads(bench, levels_dbm)
    if not found:
        return
    worst = found[0]
    raise SafetyStop(
        f"{REFUSED}: {_describe(bench, state)} would put up to {worst.level_text} on "
        f"{worst.node!r}, which is rated {worst.rating_text} and may get {worst.allowed_dbm:g} dBm "
        f"(margin {bench.margin_db:g} dB)",
        next_step=_cure(bench, state, worst),
    )


def refuse_shared_port(bench: Bench, state: RfState) -> None:
    """Raise ``SafetyStop`` where a transmitter would send into a generator or noise source at its port."""
    if not state.rf_on:
        return
    for path in bench.receive_paths.values():
        if path.shares == state.channel and path.inputs:
            sources = " and ".join(path.inputs)
            raise SafetyStop(
                f"{REFUSED}: channel {state.channel} would send into {sources}, which the bench file has at "
                f"the same port, {path.port!r}",
                next_step="take the sources off and out of receive_paths for this plan, or use another port",
            )


def _describe(bench: Bench, state: RfState) -> str:
    pad = f" and {state.pad_db:g} dB in the pad" if bench.path(state.channel).pad_instrument else ""
    return (
        f"channel {state.channel} at {frequency_text(state.carrier_hz)} with "
        f"{state.attenuation_db:g} dB transmit attenuation{pad}"
    )


def _cure(bench: Bench, state: RfState, worst: Overload) -> str:
    needed = math.ceil(worst.excess_db * 10 - 1e-9) / 10 if math.isfinite(worst.excess_db) else math.nan
    path = bench.path(state.channel)
    at = state.carrier_hz
    helps = ["transmit attenuation"] if proven(bench.radio_spec) else []
    pad = bench.instruments.get(path.pad_instrument or "")
    if pad is not None and proven(pad):
        before, after = (path.loss_to(worst.node, at, pad_db=db) for db in (0.0, 1.0))
        helps += ["pad"] if after > before else []
    fixed = f"a fixed pad of that size in front of {worst.node!r}, put into the bench file too"
    if not helps:
        return f"{needed:.1f} dB less is needed: {fixed}; no attenuation here is read back, so none counts"
    return f"{needed:.1f} dB more {' or '.join(helps)} is safe, or {fixed}"
