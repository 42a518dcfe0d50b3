"""Driver files: the dialect of one instrument as data, on a base that it may share with others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hilkit.errors import FileProblems, Problem
from hilkit.instruments.capability import Capability
from hilkit.instruments.driver_file import (
    DriverFile,
    LineEntry,
    SelfTestEntry,
    SweepTimeEntry,
    TraceEntry,
)
from hilkit.instruments.wire import LinkSettings

if TYPE_CHECKING:
    from hilkit.files import Document, Lab

__all__ = ["Dialect", "DriverFile", "load_dialect"]

_LONGEST_CHAIN = 8


@dataclass(frozen=True, kw_only=True)
class Dialect:
    """A driver file with its bases, checked against its instrument class; see :class:`DriverFile` for the
    keys.

    ``capabilities`` holds only what this instrument can do. ``files`` are the files it was made of, its own
    first.
    """

    name: str
    instrument_class: str
    summary: str
    capabilities: Mapping[str, Capability]
    order: tuple[str, ...] = ()
    link: LinkSettings = field(default_factory=LinkSettings)
    identity: str = ""
    trace: TraceEntry | None = None
    noise_bandwidth_ratio: float | None = None
    sweep_time: SweepTimeEntry | None = None
    settling_s: float = 0.0
    reading_time_s: float = 0.0
    zeroing_time_s: float = 0.0
    mute_time_s: float = 0.0
    insertion_loss_db: float | None = None
    self_test: SelfTestEntry | None = None
    line: LineEntry | None = None
    safe_command: tuple[str, ...] = ()
    files: tuple[Path, ...] = ()

    def has(self, capability: str) -> bool:
        """True when the instrument can do it."""
        return capability in self.capabilities


def load_dialect(name: str, lab: Lab) -> Dialect:
    """Read ``drivers/NAME.yaml`` (or a path) and its bases; ``FileProblems`` with every mistake in them."""
    from hilkit.instruments.dialect_check import build

    return build(*_chain(name, lab))


def _chain(name: str, lab: Lab) -> tuple[list[tuple[Document, DriverFile]], list[Problem]]:
    """Return the file and its bases, the file first, and what is wrong with them by themselves."""
    from hilkit.files import load
    from hilkit.files.kind import refuse_other
    from hilkit.files.salvage import sound_parts

    problems: list[Problem] = []
    chain: list[tuple[Document, DriverFile]] = []
    seen: list[Path] = []
    while True:
        path = _found(name, lab, chain[-1][0] if chain else None)
        if chain:
            _refuse_circle(path, seen, chain[-1][0])
        document = load(path)
        refuse_other(document, "driver")
        model, mistakes = sound_parts(document, DriverFile)
        chain.append((document, model))
        problems += mistakes
        seen.append(path)
        base = chain[-1][1].base
        if base is None:
            return chain, problems
        name = base


def _found(name: str, lab: Lab, named_in: Document | None) -> Path:
    """Return the driver file of a name; one that a file names as its base is that file's mistake."""
    from hilkit.files import PlaceError

    try:
        return lab.find("driver", name, relative_to=named_in.path.parent if named_in else None)
    except PlaceError as error:
        if named_in is None:
            raise
        problem = named_in.problem(
            ["base"], error.message, seen=error.seen, allowed=error.allowed, next_step=error.next_step
        )
        raise FileProblems([problem]) from error


def _refuse_circle(path: Path, seen: list[Path], document: Document) -> None:
    if path in seen or len(seen) >= _LONGEST_CHAIN:
        chain = " -> ".join(p.name for p in [*seen, path])
        raise FileProblems([document.problem(["base"], "the bases go round in a circle", seen=chain)])


def merged(chain: Sequence[tuple[Document, DriverFile]]) -> tuple[dict[str, Any], dict[str, dict[str, Any]]]:
    """Return the settings and the capabilities of a chain, the first file winning.

    Capabilities are merged key by key, so that an override names only what differs; ``null`` takes one away,
    or a key of one.
    """
    settings: dict[str, Any] = {}
    capabilities: dict[str, dict[str, Any]] = {}
    for _, model in reversed(chain):
        for key in model.model_fields_set - {"capabilities"}:
            settings[key] = getattr(model, key)
        for name, entry in (model.capabilities or {}).items():
            if entry is None:
                capabilities.pop(name, None)
                continue
            given = {key: getattr(entry, key) for key in entry.model_fields_set}
            capabilities[name] = {**capabilities.get(name, {}), **given}
    return settings, capabilities
