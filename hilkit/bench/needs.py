"""Does the bench have what a procedure needs?"""

from __future__ import annotations

from typing import Protocol

from hilkit.bench.spec import Bench
from hilkit.files.notes import listed

__all__ = ["needs"]


class Needed(Protocol):
    """An instrument class and capabilities of it; ``hilkit.procedures.contract.Need`` is one."""

    @property
    def instrument_class(self) -> str:
        """Name of the class, such as ``signal_analyser``."""

    @property
    def capabilities(self) -> tuple[str, ...]:
        """Names of the capabilities."""


def needs(bench: Bench, need: Needed) -> list[str]:
    """Return one sentence for each thing that the bench lacks of a need; empty where it has everything."""
    words = need.instrument_class.replace("_", " ")
    found = bench.of_class(need.instrument_class)
    if not found:
        there = listed(f"{spec.name} ({spec.instrument_class})" for spec in bench.instruments.values())
        return [f"bench {bench.name!r} has no {words}; it has {there}"]
    return [
        f"{spec.name} has no {capability}: its driver {spec.driver} does not declare it"
        for spec in found
        for capability in need.capabilities
        if capability not in spec.dialect.capabilities
    ]
