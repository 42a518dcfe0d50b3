"""An instrument with the status model, the pending operations and the common commands of IEEE 488.2."""

from __future__ import annotations

from typing import Any

from hilkit.clock import Clock
from hilkit.sim.common import error_text
from hilkit.sim.connection import ScpiDevice
from hilkit.sim.device import Instrument
from hilkit.sim.faults import NO_STRIKE, Strike
from hilkit.sim.scpi import Tree
from hilkit.sim.status import OPC, PON, ScpiError, Status

__all__ = ["BOOT_S", "ScpiInstrument"]

BOOT_S = 2.0
"""Seconds without an answer after a reboot."""


class ScpiInstrument(Instrument):
    """An instrument with the status model and the command table of IEEE 488.2 and SCPI-99."""

    tree: Tree

    def __init__(self, name: str, clock: Clock, *, identity: str, **common: Any) -> None:
        super().__init__(name, clock, **common)
        self.identity = identity
        self.status = Status()
        self.status.events = PON
        self.settings: dict[str, Any] = {}
        self.strike = NO_STRIKE
        self.self_test_result = 0
        self.message_available = False
        """MAV of the connection that is served at this moment."""
        self._busy_until: float | None = None
        self._armed = False
        self._silent_until = -1.0
        self.reset_settings()

    def connect(self, *, stream: bool) -> ScpiDevice:
        """Return a new connection; any number of them may be open."""
        return ScpiDevice(self, stream=stream)

    # settings, as the table's rows use them

    def look_up(self, key: str) -> Any:
        """Return a setting."""
        return self.settings[key]

    def change(self, key: str, value: Any) -> None:
        """Change a setting; subclasses resolve what depends on it."""
        self.settings[key] = value

    def reset_settings(self) -> None:
        """Put the settings to their ``*RST`` values."""

    # pending operations (IEEE 488.2 clause 12)

    @property
    def busy(self) -> bool:
        """True while an overlapped operation is pending."""
        return self._busy_until is not None

    @property
    def busy_until(self) -> float | None:
        """The clock time at which the pending operation ends; infinite when it waits for a trigger."""
        return self._busy_until

    def begin(self, seconds: float) -> None:
        """Start an overlapped operation, or let the pending one last at least ``seconds`` from now."""
        end = self.clock.now() + seconds
        self._busy_until = end if self._busy_until is None else max(end, self._busy_until)

    def abandon(self) -> None:
        """End the pending operation now, without its result."""
        self._busy_until = None
        self._complete()

    def settle(self) -> None:
        """Bring the state up to the clock: finish the operation that is over."""
        if self._busy_until is not None and self.clock.now() >= self._busy_until:
            self._busy_until = None
            self.finished()
            self._complete()

    def finished(self) -> None:
        """Take the result of the operation that has just ended."""

    def refresh_status(self) -> None:
        """Bring the condition registers up to date."""

    def _complete(self) -> None:
        if self._armed and not self.busy:
            self._armed = False
            self.status.events |= OPC

    # faults

    def struck(self, strike: Strike) -> None:
        """Let a fault do what does not depend on the line; called before the line is carried out."""
        if "queue_overflow" in strike:
            for _ in range(self.status.queue.depth + 1):
                self.status.error(-310)

    # common commands

    def status_byte(self) -> int:
        """``*STB?``: the status byte with the master summary in bit 6."""
        self.refresh_status()
        return self.status.byte(message_available=self.message_available)

    def error_text(self, code: int, text: str) -> str:
        """Return an entry of the error queue as response data."""
        return error_text(code, text)

    def arm_completion(self) -> None:
        """``*OPC``: set bit 0 of the event register when no operation is pending."""
        self._armed = True
        self._complete()

    def forget_completion(self) -> None:
        """Cancel a pending ``*OPC``."""
        self._armed = False

    def clear_status(self) -> None:
        """``*CLS``: clear events and queue, cancel ``*OPC``."""
        self.status.clear()
        self.forget_completion()

    def reset(self) -> None:
        """``*RST``: settings to their defaults, operation and ``*OPC`` cancelled; status and queue stay."""
        self._armed = False
        self._busy_until = None
        self.reset_settings()

    def self_test(self) -> int:
        """``*TST?``: 0 for passed."""
        if self.self_test_result:
            self.status.error(-330)
        return self.self_test_result

    def trigger(self) -> None:
        """``*TRG``."""
        raise ScpiError(-211)

    @property
    def silent(self) -> bool:
        """True while the instrument boots and hears nothing."""
        return self.clock.now() < self._silent_until

    def reboot(self) -> None:
        """Lose all settings and say -500 when back (SCPI-99 volume 2, clause 21.8.13)."""
        self.reset()
        self.status = Status()
        self.status.error(-500)
        self._silent_until = self.clock.now() + BOOT_S
