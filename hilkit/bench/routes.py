"""Switch positions of the paths of a bench against each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from hilkit.bench.model import ElementEntry
from hilkit.bench.path import Path
from hilkit.files.notes import Notes

__all__ = ["check_routes"]

Route = frozenset[tuple[str, tuple[int, ...]]]


def check_routes(
    paths: Mapping[str, Path], entries: Mapping[str, Sequence[ElementEntry]], notes: Notes
) -> None:
    """Note a path that closes just the channels of another one: one of them would read the other's signal.

    An element with ``shared: true`` says that this is meant.
    """
    seen: dict[Route, str] = {}
    for name, path in paths.items():
        route = frozenset(
            (element.instrument, tuple(sorted(element.close))) for element in path.elements if element.close
        )
        if route and route in seen and not any(entry.shared for entry in entries[name]):
            number, close = next((i, entry.close) for i, entry in enumerate(entries[name]) if entry.close)
            notes.add(
                ("paths", name, number, "close"),
                f"path {seen[route]} closes the same switch channels",
                seen=str(close),
                next_step="write the channels of this path; `shared: true` if one way serves both",
            )
        seen.setdefault(route, name)
