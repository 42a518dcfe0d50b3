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

__all__ = ["KINDS", "FaultRow", "FaultTable", "Strike"]

# kind: what it does to the line that it strikes
KINDS: dict[str, str] = {
    "silence": "the line is lost and nothing is answered",
    "delay": "the answer comes late, by `delay`",
    "half_block": "only the first half of the answer is sent",
    "garbage": "the answer is replaced by bytes that mean nothing",
    "nan": "every number in the answer is 9.91E37",
    "duplicate": "the answer is sent twice",
    "refusal": "the line is not carried out and an error is reported",
    "stuck_relay": "the relays answer, but do not move",
    "stuck_attenuator": "the attenuator answers, but does not move",
    "lost_lock": "the reference (analyser) or the synthesiser (radio) loses its lock",
    "lost_reference": "the house reference no longer reaches the radio",
    "lost_load": "what the ports of the radio lead to comes off: they are open",
    "overheating": "the fan of the radio stops, and it is 45 degrees warmer",
    "open_contact": "a door is opened: the contacts of the switch are open",
    "reboot": "the instrument starts again: settings lost, the line too, -500 in the error queue",
    "dropped_connection": "the instrument ends the connection",
}

LATE_S = 5.0
"""Delay of a late answer whose row gives none, in seconds: longer than VISA's default timeout of 2 s."""

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
        """Delay of a late answer."""
        ...

    @property
    def at(self) -> Duration | None:
        """Time on the bench from which lines count."""
        ...


@dataclass(frozen=True)
class Strike:
    """What strikes one line: the kinds, and the delay in seconds."""

    kinds: frozenset[str] = frozenset()
    delay_s: float = 0.0

    def __bool__(self) -> bool:
        return bool(self.kinds)

    def __contains__(self, kind: str) -> bool:
        return kind in self.kinds

    @property
    def dropped_connection(self) -> bool:
        """True when the connection ends."""
        return "dropped_connection" in self.kinds

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
        return bool(self.kinds & {"silence", "reboot", "dropped_connection"})

    def disturb(self, message: bytes) -> list[tuple[bytes, float]]:
        """Return the pieces that are sent instead of an answer, each with its delay in seconds."""
        if "nan" in self.kinds and not message.startswith(b"#"):
            message = _NUMBERS.sub(NAN_TEXT, message)
        if "garbage" in self.kinds:
            message = b"\x8f\xfe?~" * 4 + b"\n"
        if "half_block" in self.kinds:
            message = message[: len(message) // 2]
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
        return Strike(frozenset(fault.kind for fault in hits), sum(delays))

    def _hits(self, row: _Row, line: str) -> bool:
        if not line.startswith(row.pattern) or self.clock.now() < row.at_s:
            return False
        row.seen += 1
        if row.seen < row.fault.after or row.used >= row.fault.count:
            return False
        row.used += 1
        return True
