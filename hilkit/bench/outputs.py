"""A look at the outputs of a supply that the bench uses, and the output selected before is selected again."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from hilkit.bench.spec import Bench

__all__ = ["OutputLook", "look_at_outputs", "selection_kept"]


@dataclass(frozen=True, kw_only=True)
class OutputLook:
    """One output: what it says, for people, and which protection holds it off ("" for none)."""

    output: int
    text: str
    tripped: str


@contextmanager
def selection_kept(supply: Any) -> Iterator[None]:
    """Select the output again that was selected before, at the front panel or by a program."""
    before = supply.read("select") if supply.has("select") else None
    try:
        yield
    finally:
        if before is not None:
            supply.apply({"select": before})


def look_at_outputs(supply: Any, bench: Bench) -> list[OutputLook]:
    """Return a look at each output of ``supply`` that the bench file names, in order of their numbers."""
    rails = {rail.output: rail.feeds for rail in bench.rails if rail.instrument == supply.name}
    cutting = [means for means in bench.second_means if means.instrument == supply.name]
    numbers = {*rails, *(means.output for means in cutting if means.output is not None)}
    if not numbers:
        return []
    with selection_kept(supply):
        return [_look_at(supply, number, rails.get(number, "")) for number in sorted(numbers)]


def _look_at(supply: Any, output: int, feeds: str) -> OutputLook:
    on, tripped = supply.output(output), supply.tripped(output)
    measured = f"{supply.measured_voltage(output):.2f} V and {supply.measured_current(output):.2f} A measured"
    wanted = f"{supply.voltage(output):g} V set, at most {supply.current_limit(output):g} A"
    name = f"{output} ({feeds})" if feeds else f"{output}"
    trip = f", {tripped} protection has tripped" if tripped else ""
    return OutputLook(
        output=output, text=f"{name}: {'ON' if on else 'off'}{trip}, {measured}; {wanted}", tripped=tripped
    )
