"""The status model of IEEE 488.2 and SCPI-99: event registers, summary bits and the error queue.

Sources: IEEE 488.2-1992 clause 11 (standard status data structures); SCPI-99 volume 1 chapter 9 (status
reporting), volume 2 chapter 20 (STATus) and clause 21.8 (error numbers and their texts).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

__all__ = ["ERROR_TEXTS", "ErrorQueue", "Register", "ScpiError", "Status", "event_bit"]

# SCPI-99 volume 2, clause 21.8. Numbers that no simulated instrument raises are kept: a profile may inject
# them.
ERROR_TEXTS: dict[int, str] = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -105: "GET not allowed",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -115: "Unexpected number of parameters",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -130: "Suffix error",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -140: "Character data error",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -150: "String data error",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -160: "Block data error",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -170: "Expression error",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -203: "Command protected",
    -210: "Trigger error",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -231: "Data questionable",
    -240: "Hardware error",
    -241: "Hardware missing",
    -300: "Device-specific error",
    -310: "System error",
    -311: "Memory error",
    -313: "Calibration memory lost",
    -315: "Configuration memory lost",
    -321: "Out of memory",
    -330: "Self-test failed",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -360: "Communication error",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
    -500: "Power on",
    -600: "User request",
    -700: "Request control",
    -800: "Operation complete",
}

OPC, RQC, QYE, DDE, EXE, CME, URQ, PON = (1 << bit for bit in range(8))
"""The bits of the standard event status register (IEEE 488.2 clause 11.5.1)."""

# SCPI-99 volume 2, clauses 21.8.9 to 21.8.16: each class of error sets one bit of the event register.
_CLASS_BITS = {1: CME, 2: EXE, 3: DDE, 4: QYE, 5: PON, 6: URQ, 7: RQC, 8: OPC}


def event_bit(code: int) -> int:
    """Return the event register bit that error ``code`` sets; a positive code is a device error."""
    return DDE if code > 0 else _CLASS_BITS.get(-code // 100, 0)


class ScpiError(Exception):
    """An error for the error queue: its number and, after the standard text, what the device adds to it."""

    def __init__(self, code: int, info: str = "") -> None:
        super().__init__(code, info)
        self.code = code
        self.info = info


class ErrorQueue:
    """First in, first out; when full, -350 replaces the last entry (SCPI-99 volume 2, clause 21.8.1)."""

    def __init__(self, depth: int = 16) -> None:
        self.depth = depth
        self._entries: deque[tuple[int, str]] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def put(self, code: int, info: str = "") -> None:
        """Add an error; text and information together never exceed 255 characters."""
        if len(self._entries) >= self.depth:
            self._entries[-1] = (-350, ERROR_TEXTS[-350])
            return
        text = ERROR_TEXTS.get(code, "Device-specific error")
        self._entries.append((code, (f"{text};{info}" if info else text)[:255]))

    def get(self) -> tuple[int, str]:
        """Take the oldest entry; ``(0, "No error")`` from an empty queue."""
        return self._entries.popleft() if self._entries else (0, ERROR_TEXTS[0])

    def clear(self) -> None:
        """Forget all entries."""
        self._entries.clear()


@dataclass
class Register:
    """One SCPI status register group of 15 bits: condition, transition filters, latched event, enable."""

    condition: int = 0
    event: int = 0
    enable: int = 0
    positive: int = 0x7FFF
    negative: int = 0

    def update(self, condition: int) -> None:
        """Take over the live condition and latch the transitions that the filters let through."""
        rose, fell = condition & ~self.condition, self.condition & ~condition
        self.event |= (rose & self.positive) | (fell & self.negative)
        self.condition = condition

    def set_bit(self, bit: int, on: bool) -> None:
        """Change one bit (given by its number) of the live condition."""
        mask = 1 << bit
        self.update(self.condition | mask if on else self.condition & ~mask)

    def read_event(self) -> int:
        """Return the latched events and clear them."""
        event, self.event = self.event, 0
        return event

    def preset(self) -> None:
        """``STATus:PRESet``: nothing enabled, rising edges only (SCPI-99 volume 2, clause 20.7)."""
        self.enable, self.positive, self.negative = 0, 0x7FFF, 0

    @property
    def summary(self) -> bool:
        """True when an enabled event is latched."""
        return bool(self.event & self.enable)


@dataclass
class Status:
    """All status of one instrument."""

    queue: ErrorQueue = field(default_factory=ErrorQueue)
    operation: Register = field(default_factory=Register)
    questionable: Register = field(default_factory=Register)
    events: int = 0
    event_enable: int = 0
    request_enable: int = 0

    def error(self, code: int, info: str = "") -> None:
        """Queue an error and set the event bit of its class."""
        self.queue.put(code, info)
        self.events |= event_bit(code)

    def read_events(self) -> int:
        """Return the standard event register and clear it."""
        events, self.events = self.events, 0
        return events

    def clear(self) -> None:
        """Do what ``*CLS`` asks: events and queue cleared, enables kept (IEEE 488.2 clause 10.3)."""
        self.events = self.operation.event = self.questionable.event = 0
        self.queue.clear()

    def byte(self, *, message_available: bool) -> int:
        """Return the status byte with the master summary in bit 6 (IEEE 488.2 clause 11.2)."""
        byte = (
            (4 if len(self.queue) else 0)
            | (8 if self.questionable.summary else 0)
            | (16 if message_available else 0)
            | (32 if self.events & self.event_enable else 0)
            | (128 if self.operation.summary else 0)
        )
        return byte | (64 if byte & self.request_enable & ~64 else 0)
