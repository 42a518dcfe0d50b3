"""What a published limit depends on, what it says, and the helpers that its tables share."""

from __future__ import annotations

from dataclasses import dataclass, replace

from hilkit.files.shapes import near
from hilkit.judgement.mask import MaskPoint
from hilkit.judgement.standards.source import FROM_MEMORY, Source, StandardMistake

__all__ = ["Conditions", "Published", "choose", "relaxed", "tolerance_by_frequency"]

TOLERANCE = Source(document="3GPP TS 38.141-1", clause="Annex C", table="C.1-1")
_HIGHEST_TOLERANCE_HZ = 4.2e9


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """What a limit depends on; empty or ``None`` where nobody said. Frequencies in Hz, power in dBm."""

    requirement: str = ""
    station: str = ""
    category: str = ""
    band: str = ""
    bandwidth: float | None = None
    subcarrier_spacing: float | None = None
    carrier: float | None = None
    modulation: str = ""
    rated: float | None = None
    extreme: bool = False

    def need(self, key: str, what: str) -> float:
        """Return a number that the limit depends on; ``StandardMistake`` where it was not given."""
        value: float | None = getattr(self, key)
        if value is None:
            raise StandardMistake(
                key, f"this limit depends on {what}", next_step=f"add {key}: ... to the limit"
            )
        return value


@dataclass(frozen=True, kw_only=True)
class Published:
    """A limit as published, in ``unit``: sides, or ``points`` over a frequency in Hz, and where it stands.

    ``settings`` are what a procedure has to be told so that its reading means what the limit is on.
    """

    unit: str
    sources: tuple[Source, ...]
    requirement: str = ""
    low: float | None = None
    high: float | None = None
    nominal: float | None = None
    points: tuple[MaskPoint, ...] = ()
    settings: tuple[tuple[str, str], ...] = ()

    @property
    def from_memory(self) -> bool:
        """True where any part of it was not read in the document."""
        return any(source.from_memory for source in self.sources)

    @property
    def origin(self) -> str:
        """Return the requirement, document, version, clause and table, and what is in doubt."""
        places = ", with ".join(str(replace(source, from_memory=False)) for source in self.sources)
        name = f"{self.requirement} requirement: " if self.requirement else ""
        return name + places + (f"; {FROM_MEMORY}" if self.from_memory else "")


def choose(key: str, value: str, allowed: tuple[str, ...], what: str) -> str:
    """Return ``value`` if it is one of ``allowed``; ``StandardMistake`` with the near one otherwise."""
    if value in allowed:
        return value
    meant = near(value, allowed) if value else ""
    raise StandardMistake(
        key,
        f"there is no {what} of this name" if value else f"this limit depends on the {what}",
        seen=value,
        allowed=", ".join(allowed),
        next_step=f"did you mean {meant}?" if meant else "" if value else f"add {key}: ... to the limit",
    )


def tolerance_by_frequency(conditions: Conditions, low: float, high: float) -> float:
    """Return a test tolerance: ``low`` up to 3 GHz, ``high`` up to 4.2 GHz; above, hilkit has none."""
    carrier_hz = conditions.need("carrier", "the carrier frequency")
    if carrier_hz > _HIGHEST_TOLERANCE_HZ:
        raise StandardMistake(
            "carrier",
            "hilkit has no test tolerance for a carrier this high",
            seen=f"{carrier_hz / 1e6:g} MHz",
            allowed="up to 4200 MHz",
            next_step="read it in TS 38.141-1, Annex C, and write the limit by hand",
        )
    return low if carrier_hz <= 3e9 else high


def relaxed(found: Published, conditions: Conditions, tolerance: float, *, read: bool = False) -> Published:
    """Return the limit that was asked for: as it is, or moved outwards by the test tolerance.

    ``read`` says that the tolerance is not from memory.
    """
    named = replace(found, requirement=conditions.requirement)
    if conditions.requirement != "test":
        return named
    moved = tuple(
        replace(point, high=None if point.high is None else point.high + tolerance) for point in found.points
    )
    return replace(
        named,
        low=None if found.low is None else found.low - tolerance,
        high=None if found.high is None else found.high + tolerance,
        points=moved,
        sources=(*found.sources, replace(TOLERANCE, from_memory=not read)),
    )
