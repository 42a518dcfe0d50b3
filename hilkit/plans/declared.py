"""RF states against the ranges and steps that the driver files of the bench declare."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hilkit.bench import Bench, InstrumentSpec
    from hilkit.instruments.capability import Capability
    from hilkit.safety import RfState

__all__ = ["Beyond", "beyond"]

_SLACK = 1e-6


@dataclass(frozen=True, kw_only=True)
class Beyond:
    """A value that an instrument cannot be set to.

    ``what`` is ``carrier``, ``attenuation`` or ``pad``; ``excess`` is how far the value lies outside the
    range, zero where it only falls between two steps.
    """

    what: str
    value: float
    excess: float
    message: str
    allowed: str
    next_step: str


def beyond(bench: Bench, state: RfState) -> Iterator[Beyond]:
    """Yield what the instruments of ``bench`` cannot be set to for ``state``, by their driver files."""
    yield from _one(bench.radio_spec, "carrier", "carrier", state.carrier_hz)
    yield from _one(bench.radio_spec, "attenuation", "attenuation", state.attenuation_db)
    pad = bench.instruments.get(bench.path(state.channel).pad_instrument or "")
    if pad is not None and state.rf_on:
        yield from _one(pad, "attenuation", "pad", state.pad_db)


def _one(spec: InstrumentSpec, name: str, what: str, value: float) -> Iterator[Beyond]:
    capability = spec.dialect.capabilities.get(name)
    if capability is None:
        return
    limits = capability.limits
    off_step = _off_step(capability, value)
    if limits.hold(value) and off_step is None:
        return
    low, high = (edge if edge is not None else value for edge in (limits.minimum, limits.maximum))
    shown = capability.shown(value)
    yield Beyond(
        what=what,
        value=value,
        excess=max(low - value, value - high, 0.0),
        message=f"{spec.name}: {name} {shown} falls between two steps"
        if off_step and limits.hold(value)
        else f"{spec.name}: {name} cannot be set to {shown}",
        allowed=f"{_allowed(capability)}, by the driver {spec.driver}",
        next_step=f"use {off_step}" if off_step and limits.hold(value) else "",
    )


def _allowed(capability: Capability) -> str:
    limits = capability.limits
    if limits.step and limits.maximum is None:
        return f"steps of {capability.shown(limits.step)}"
    return capability.allowed()


def _off_step(capability: Capability, value: float) -> str | None:
    """Return the two settable values around one that falls between them, ``None`` if it does not."""
    step, start = capability.limits.step, capability.limits.minimum or 0.0
    if not step:
        return None
    count = (value - start) / step
    if abs(count - round(count)) < _SLACK:
        return None
    below = start + math.floor(count) * step
    return f"{capability.shown(below)} or {capability.shown(below + step)}"
