"""What the trade calls a measurement: each one a class that declares itself as data and yields readings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from hilkit.procedures.contract import Exposure, Need, Procedure, Settings, SourceExposure

if TYPE_CHECKING:
    from hilkit.procedures.registry import PROCEDURES, find, names

__all__ = ["PROCEDURES", "Exposure", "Need", "Procedure", "Settings", "SourceExposure", "find", "names"]


def __getattr__(name: str) -> Any:
    # The registry imports every procedure and with it numpy: only when asked for.
    if name in ("PROCEDURES", "find", "names"):
        from hilkit.procedures import registry

        return getattr(registry, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
