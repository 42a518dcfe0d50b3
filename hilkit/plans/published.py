"""A published limit in a plan: the entry, what the step's settings add to it, and the limit that it gives."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field

from hilkit.errors import Problem
from hilkit.files import Document, FileModel
from hilkit.judgement import Limit, Mask
from hilkit.judgement.limit import LimitValue
from hilkit.judgement.standards import Conditions, Published, StandardMistake, published
from hilkit.quantities import Frequency, Level, QuantityError, parse
from hilkit.readings import ReadingSpec

__all__ = ["PublishedFile", "is_published", "published_limit"]

_FROM_SETTINGS = {
    "bandwidth": ("channel_bandwidth", "bandwidth"),
    "carrier": ("carrier",),
    "subcarrier_spacing": ("subcarrier_spacing",),
    "modulation": ("modulation",),
}


class PublishedFile(FileModel):
    """A limit that a standard publishes, by its clause; bandwidth, carrier and so on as the step has them."""

    standard: Literal["ts_38_104", "ts_36_104", "itu_r_sm_329"] = Field(description="the document")
    clause: LimitValue = Field(description="its clause", examples=["6.6.3"])
    requirement: Literal["minimum", "test"] | None = Field(
        default=None, description="minimum requirement, or test requirement with the test tolerance"
    )
    station: Literal["wide_area", "medium_range", "local_area", "home"] | None = Field(
        default=None, alias="class", description="class of base station"
    )
    category: Literal["A", "B"] | None = Field(default=None, description="category of spurious emissions")
    band: str | None = Field(default=None, description="operating band", examples=["n3"])
    bandwidth: Frequency | None = Field(default=None, description="channel bandwidth")
    subcarrier_spacing: Frequency | None = Field(default=None, description="subcarrier spacing")
    carrier: Frequency | None = Field(default=None, description="carrier frequency")
    modulation: Literal["QPSK", "16QAM", "64QAM", "256QAM", "1024QAM"] | None = Field(
        default=None, description="modulation that is judged"
    )
    rated: Level | None = Field(default=None, description="declared rated output power")
    conditions: Literal["normal", "extreme"] = Field(default="normal", description="environment of the test")
    phase: str | None = Field(
        default=None, description="the phase that is judged; the final one if not given"
    )


def is_published(item: Any) -> bool:
    """Return whether an entry of a plan refers to a standard."""
    return isinstance(item, dict) and "standard" in item


def published_limit(
    file: PublishedFile, spec: ReadingSpec, settings: Mapping[str, Any], document: Document, at: Any
) -> tuple[Limit | None, list[Problem]]:
    """Return the limit on a reading, or what is wrong with the entry at ``at``."""
    phase = spec.final_phase if file.phase is None else file.phase
    if file.phase is not None and phase not in spec.phases:
        allowed = ", ".join(spec.phases) or "none: leave the key phase away"
        message = f"the reading {spec.name} has no phase of this name"
        return None, [document.problem((*at, "phase"), message, seen=phase, allowed=allowed)]
    try:
        found = published(file.standard, str(file.clause), spec, _conditions(file, settings))
    except StandardMistake as mistake:
        return None, [_problem(mistake, file, document, at)]
    return _limit(found, phase), []


def _limit(found: Published, phase: str) -> Limit:
    mask = Mask(points=found.points, index_unit="Hz") if found.points else None
    return Limit(
        unit=found.unit,
        low=found.low,
        high=found.high,
        nominal=found.nominal,
        phase=phase,
        mask=mask,
        origin=found.origin,
        settings=found.settings,
    )


def _conditions(file: PublishedFile, settings: Mapping[str, Any]) -> Conditions:
    def hertz(key: str) -> float | None:
        own: Frequency | None = getattr(file, key)
        return own.hz if own is not None else _setting_hz(settings, key)

    modulation: str = file.modulation or str(settings.get("modulation") or "")
    return Conditions(
        requirement=file.requirement or "",
        station=file.station or "",
        category=file.category or "",
        band=file.band or "",
        bandwidth=hertz("bandwidth"),
        subcarrier_spacing=hertz("subcarrier_spacing"),
        carrier=hertz("carrier"),
        modulation=modulation,
        rated=None if file.rated is None else file.rated.dbm,
        extreme=file.conditions == "extreme",
    )


def _setting_hz(settings: Mapping[str, Any], key: str) -> float | None:
    """Return what a setting of the step says; a setting that cannot be read is told there."""
    for name in _FROM_SETTINGS[key]:
        if isinstance(settings.get(name), str):
            try:
                return parse(settings[name], Frequency).hz
            except QuantityError:
                return None
    return None


def _problem(mistake: StandardMistake, file: PublishedFile, document: Document, at: Any) -> Problem:
    own = "station" if mistake.key == "class" else mistake.key
    stands = getattr(file, own, None) is not None
    from_step = mistake.key in _FROM_SETTINGS and not stands and mistake.seen
    hint = mistake.next_step
    if from_step:
        told = f"the step's setting says {mistake.seen}: write {mistake.key}: ... in the limit if it differs"
        hint = "; ".join(filter(None, (hint, told)))
    return document.problem(
        (*at, mistake.key) if stands else at,
        mistake.message,
        seen=mistake.seen,
        allowed=mistake.allowed,
        next_step=hint,
    )
