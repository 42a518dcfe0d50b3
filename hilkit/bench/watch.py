"""What the bench file says of the watchdog: how long a run may be out of sight, how soon RF has to be off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from hilkit.files import FileModel
from hilkit.files.notes import Notes
from hilkit.quantities import Between, Duration

__all__ = ["RESERVE_S", "WatchEntry", "WatchSpec", "watch_of"]

RESERVE_S = 0.5
"""Time in seconds that the watchdog itself needs to end the run, open links and switch RF off."""

_SHORTEST_S = 0.2

Span = Annotated[Duration, Between(above="0 s", high="600 s")]


class WatchEntry(FileModel):
    """How a run on this bench is watched."""

    lease: Span | None = Field(
        None,
        description="how long a run may give no sign of life before RF is switched off; 1.5 s by default",
    )
    rf_off: Span | None = Field(
        None,
        description="time within which RF is off after a run died or froze; 2 s if not given, or the lease "
        "and what the watchdog itself needs",
    )
    off: str | None = Field(None, description="no watchdog on this bench, and the reason why")


@dataclass(frozen=True, kw_only=True)
class WatchSpec:
    """How a run on this bench is watched.

    ``lease_s`` is what each sign of life is good for, ``rf_off_s`` when RF has to be off after the last one.
    ``off`` is the reason why nobody watches, empty where somebody does.
    """

    lease_s: float = 1.5
    rf_off_s: float = 2.0
    off: str = ""

    @property
    def longest_s(self) -> float:
        """The longest time in seconds that is ever granted, however long an instrument may keep the run."""
        return max(self.lease_s, self.rf_off_s - RESERVE_S)


def watch_of(entry: WatchEntry | None, notes: Notes) -> WatchSpec:
    """Return what an entry says; its mistakes go to ``notes``."""
    usual = WatchSpec()
    if entry is None:
        return usual
    if entry.off is not None:
        if entry.lease or entry.rf_off:
            hint = "delete off, or delete the others"
            notes.add(("watchdog", "off"), "a watchdog that is off has no times", next_step=hint, at_key=True)
        elif not entry.off.strip():
            hint = 'such as off: "the supply of the radio has a hardware interlock"'
            notes.add(("watchdog", "off"), "a reason is needed", next_step=hint)
        return WatchSpec(off=entry.off)
    given_s = entry.rf_off.s if entry.rf_off else usual.rf_off_s
    lease_s = entry.lease.s if entry.lease else min(usual.lease_s, given_s - RESERVE_S)
    rf_off_s = given_s if entry.rf_off else max(given_s, lease_s + RESERVE_S)
    if lease_s < _SHORTEST_S:
        where = ("watchdog", "lease" if entry.lease else "rf_off")
        shortest = _SHORTEST_S if entry.lease else _SHORTEST_S + RESERVE_S
        hint = "a healthy run may be busy for that long"
        notes.add(where, "this is too short", allowed=f"{shortest:g} s or more", next_step=hint)
    elif lease_s + RESERVE_S > rf_off_s + 1e-9:
        notes.add(
            ("watchdog", "rf_off"),
            f"RF cannot be off by then: the lease is {lease_s:g} s, and the watchdog needs {RESERVE_S:g} s",
            seen=str(entry.rf_off),
            allowed=f"{lease_s + RESERVE_S:g} s or more",
            next_step="give RF more time, or the run less",
        )
    return WatchSpec(lease_s=lease_s, rf_off_s=rf_off_s)
