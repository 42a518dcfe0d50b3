"""Faults on order: what goes wrong, at which instrument, at which line.

A fault is a row of data (see ``faults:`` of a simulated bench's profile). Each line that reaches an
instrument is looked up here once; the rows that apply make a :class:`Strike`, which the instrument's front
end carries out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Protocol

from hilkit.clock import Clock
from hilkit.quantities import Duration

__all__ = ["DISK", "KINDS", "FaultKind", "FaultRow", "FaultTable", "Strike"]

RADIO = "radio"

DISK = "disk"
"""What a fault of the disk that the record goes to names instead of an instrument."""

SPEAK_SCPI = ("analysers", "pads", "relays", "generators", "power_meters", "supplies")
"""The groups of a profile whose instruments have an error queue."""


@dataclass(frozen=True, kw_only=True)
class FaultKind:
    """One kind of fault: what it ``does`` to the line that it strikes, and what a run makes of it.

    ``deadline_s`` is the detection deadline: within that time after the first line that the fault spoils, a
    run has noticed it or has got over it; RF is off at the port at most 1 s later unless it got over it.
    ``noticed`` says by what. ``only`` names the groups of the profile whose instruments can have it, all
    where it is empty.
    """

    does: str
    noticed: str
    deadline_s: float
    only: tuple[str, ...] = ()


KINDS: dict[str, FaultKind] = {
    "silence": FaultKind(
        does="the line is lost and nothing is answered",
        noticed="no answer in time, or a setting that reads back otherwise",
        deadline_s=8.0,
    ),
    "delay": FaultKind(
        does="the answer comes late, by `delay`",
        noticed="no answer in time",
        deadline_s=8.0,
    ),
    "drip": FaultKind(
        does="the answer comes byte by byte, `delay` apart",
        noticed="an answer that is not complete in time",
        deadline_s=10.0,
    ),
    "half_block": FaultKind(
        does="only the first half of the answer is sent",
        noticed="an end or a length that is missing",
        deadline_s=10.0,
    ),
    "garbage": FaultKind(
        does="the answer is replaced by bytes that mean nothing",
        noticed="an answer that fits nothing that was asked",
        deadline_s=8.0,
    ),
    "nan": FaultKind(
        does="every number in the answer is 9.91E37",
        noticed="no number is as large",
        deadline_s=2.0,
    ),
    "duplicate": FaultKind(
        does="the answer is sent twice",
        noticed="an answer that was there before its question",
        deadline_s=8.0,
    ),
    "refusal": FaultKind(
        does="the line is not carried out and an error is reported",
        noticed="the error queue, read after each group of settings; no answer where it was a question",
        deadline_s=8.0,
    ),
    "queue_overflow": FaultKind(
        does="the error queue is full, with -350 as its last entry",
        noticed="the error queue, read after each group of settings",
        deadline_s=2.0,
        only=SPEAK_SCPI,
    ),
    "stuck_relay": FaultKind(
        does="the relays answer, but do not move",
        noticed="a level that is not there",
        deadline_s=10.0,
        only=("relays",),
    ),
    "stuck_attenuator": FaultKind(
        does="the attenuator answers, but does not move",
        noticed="a level that is off by what it should have moved",
        deadline_s=10.0,
        only=("pads", RADIO),
    ),
    "stuck_rf": FaultKind(
        does="the radio answers, but its RF stays as it is",
        noticed="the level at the port when the bench is made safe",
        deadline_s=10.0,
        only=(RADIO,),
    ),
    "lost_lock": FaultKind(
        does="the synthesiser falls out of lock",
        noticed="the state of the synthesiser, and a signal that is not where it should be",
        deadline_s=10.0,
        only=(RADIO,),
    ),
    "lost_reference": FaultKind(
        does="the external reference vanishes from its input",
        noticed="the status of the reference, looked at with each reading",
        deadline_s=10.0,
        only=("analysers", RADIO),
    ),
    "overload": FaultKind(
        does="a strong signal from elsewhere overdrives the analyser in its next sweep",
        noticed="the overload bit, looked at with each sweep",
        deadline_s=10.0,
        only=("analysers",),
    ),
    "lost_load": FaultKind(
        does="what the ports of the radio lead to comes off: they are open",
        noticed="the interlock on what the port sees, or a level that is not there",
        deadline_s=10.0,
        only=(RADIO,),
    ),
    "overheating": FaultKind(
        does="the fan of the radio stops, and it is 45 degrees warmer",
        noticed="the interlock on its temperature",
        deadline_s=2.0,
        only=(RADIO,),
    ),
    "excess_current": FaultKind(
        does="something in the radio draws 1.5 A more from its supply",
        noticed="the interlock on the current",
        deadline_s=2.0,
        only=(RADIO,),
    ),
    "open_contact": FaultKind(
        does="a door is opened: the contacts of the switch are open",
        noticed="the interlock on the contact",
        deadline_s=2.0,
        only=("relays",),
    ),
    "disk_full": FaultKind(
        does="a write to the record finds the disk full; the instrument is called `disk`",
        noticed="the write that fails",
        deadline_s=2.0,
        only=(DISK,),
    ),
    "reboot": FaultKind(
        does="the instrument starts again: settings lost, the line too, -500 in the error queue",
        noticed="-500, the power-on event, no answer in time, the counter of starts",
        deadline_s=8.0,
    ),
    "dropped_connection": FaultKind(
        does="the instrument ends the connection",
        noticed="the operating system reports it at the next line",
        deadline_s=8.0,
    ),
    "half_open": FaultKind(
        does="the connection looks open, but nothing reaches the instrument any more",
        noticed="no answer in time",
        deadline_s=10.0,
    ),
}

LATE_S = 5.0
"""Delay of a late answer whose row gives none, in seconds: longer than VISA's default timeout of 2 s."""

DRIP_S = 0.4
"""Time in seconds between two bytes of a slow drip whose row gives none."""

# IEEE 488.2 gives no number for "not a number"; SCPI-99 volume 1, clause 7.2.1.5 takes 9.91E37.
NAN_TEXT = b"9.91E37"

_NUMBERS = re.compile(rb"(?<![A-Za-z0-9_.@#])[+-]?\d+(?:\.\d*)?(?:[eE][+-]?\d+)?(?![A-Za-z0-9_.])")


class FaultRow(Protocol):
    """A fault of the profile: at the ``after``-th line that starts with ``when``, ``count`` times."""

    @property
    def instrument(self) -> str:
        """Name of the instrument."""
        ...

    @property
    def kind(self) -> str:
        """One of :data:`KINDS`."""
        ...

    @property
    def when(self) -> str:
        """Beginning of the lines that count, in any case; "" for all."""
        ...

    @property
    def after(self) -> int:
        """Number of the first such line that is struck, from 1."""
        ...

    @property
    def count(self) -> int:
        """How many lines are struck."""
        ...

    @property
    def delay(self) -> Duration | None:
        """Delay of a late answer, or between two bytes of a slow drip."""
        ...

    @property
    def at(self) -> Duration | None:
        """Time on the bench from which lines count."""
        ...


@dataclass(frozen=True)
class Strike:
    """What strikes one line: the kinds, the delay of its answer and that between two bytes, in seconds."""

    kinds: frozenset[str] = frozenset()
    delay_s: float = 0.0
    drip_s: float = DRIP_S

    def __bool__(self) -> bool:
        return bool(self.kinds)

    def __contains__(self, kind: str) -> bool:
        return kind in self.kinds

    @property
    def dropped_connection(self) -> bool:
        """True when the connection ends."""
        return "dropped_connection" in self.kinds

    @property
    def half_open(self) -> bool:
        """True when the connection goes deaf."""
        return "half_open" in self.kinds

    @property
    def reboot(self) -> bool:
        """True when the instrument starts again."""
        return "reboot" in self.kinds

    @property
    def refusal(self) -> bool:
        """True when the line is refused."""
        return "refusal" in self.kinds

    @property
    def swallows(self) -> bool:
        """True when the line never reaches the parser."""
        return bool(self.kinds & {"silence", "reboot", "dropped_connection", "half_open"})

    def disturb(self, message: bytes) -> list[tuple[bytes, float]]:
        """Return the pieces that are sent instead of an answer, each with its delay in seconds."""
        if "nan" in self.kinds and not message.startswith(b"#"):
            message = _NUMBERS.sub(NAN_TEXT, message)
        if "garbage" in self.kinds:
            message = b"\x8f\xfe?~" * 4 + b"\n"
        if "half_block" in self.kinds:
            message = message[: len(message) // 2]
        if "drip" in self.kinds:
            size = len(message)
            return [(message[at : at + 1], self.delay_s + (at + 1) * self.drip_s) for at in range(size)]
        pieces = [(message, self.delay_s)]
        return pieces * 2 if "duplicate" in self.kinds else pieces


NO_STRIKE = Strike()


@dataclass
class _Row:
    fault: FaultRow
    pattern: str
    at_s: float
    seen: int = 0
    used: int = 0


@dataclass
class FaultTable:
    """All faults of a bench."""

    faults: Iterable[FaultRow]
    clock: Clock
    _rows: dict[str, list[_Row]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        for fault in self.faults:
            self.add(fault)

    def add(self, fault: FaultRow) -> None:
        """Add a fault; it counts lines from now on."""
        if fault.kind not in KINDS:
            raise ValueError(f"unknown kind of fault {fault.kind!r}; there are {', '.join(KINDS)}")
        at_s = self.clock.now() + fault.at.s if fault.at else -1.0
        self._rows.setdefault(fault.instrument, []).append(_Row(fault, fault.when.casefold(), at_s))

    @property
    def instruments(self) -> frozenset[str]:
        """Names of the instruments that a fault is ordered for."""
        return frozenset(self._rows)

    def strike(self, instrument: str, line: str) -> Strike:
        """Return what strikes ``line``, which is counted by it."""
        rows = self._rows.get(instrument)
        if not rows:
            return NO_STRIKE
        hits = [row.fault for row in rows if self._hits(row, line.casefold())]
        if not hits:
            return NO_STRIKE
        delays = [fault.delay.s if fault.delay else LATE_S for fault in hits if fault.kind == "delay"]
        drips = [fault.delay.s for fault in hits if fault.kind == "drip" and fault.delay]
        return Strike(frozenset(fault.kind for fault in hits), sum(delays), max(drips, default=DRIP_S))

    def _hits(self, row: _Row, line: str) -> bool:
        if not line.startswith(row.pattern) or self.clock.now() < row.at_s:
            return False
        row.seen += 1
        if row.seen < row.fault.after or row.used >= row.fault.count:
            return False
        row.used += 1
        return True
