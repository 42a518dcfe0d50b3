"""IEEE 488.2 status: waiting for completion, the event status register, what is made of the error queue."""

from __future__ import annotations

import re
from collections.abc import Sequence
from enum import IntFlag
from typing import TYPE_CHECKING

from hilkit.clock import SLICE_S, Deadline
from hilkit.errors import LinkError, RefusedError
from hilkit.instruments.replies import ErrorEntry, number

if TYPE_CHECKING:
    from hilkit.instruments.link import ScpiLink

__all__ = ["RESTARTED", "Events", "Restarted", "Waiter", "blame"]

RESTARTED = -500
"""SCPI-99 volume 2, clause 21.8: power on."""

_OPC_QUERY_LIMIT_S = 0.2
_SHORTEST_PAUSE_S = 0.001
_ELAPSED_SHARE = 0.1


class Restarted(LinkError):
    """The instrument has restarted: what was set is gone, and asking again does not bring it back."""


class Events(IntFlag):
    """Standard event status register (IEEE 488.2, clause 11.5.1)."""

    COMPLETE = 1 << 0
    REQUEST_CONTROL = 1 << 1
    QUERY_ERROR = 1 << 2
    DEVICE_ERROR = 1 << 3
    EXECUTION_ERROR = 1 << 4
    COMMAND_ERROR = 1 << 5
    USER_REQUEST = 1 << 6
    POWER_ON = 1 << 7

    @property
    def faults(self) -> str:
        """The error bits that are set, in words; empty if there is none."""
        found = self & (
            Events.QUERY_ERROR | Events.DEVICE_ERROR | Events.EXECUTION_ERROR | Events.COMMAND_ERROR
        )
        return ", ".join(str(event.name).lower().replace("_", " ") for event in found)


class Operation(IntFlag):
    """The bits of the operation condition register that matter here (SCPI-99 volume 2, clause 20.1)."""

    SWEEPING = 1 << 3
    MEASURING = 1 << 4
    WAITING_FOR_TRIGGER = 1 << 5


def blame(
    faults: Sequence[ErrorEntry], context: str | Sequence[str], *, instrument: str, allowed: str = ""
) -> RefusedError:
    """Return the error for entries found in the queue after ``context`` was sent."""
    settings = context if isinstance(context, str) else ", ".join(context)
    entries = "; ".join(map(str, faults))
    range_text = f"its driver file allows {allowed}; " if allowed else ""
    return RefusedError(
        f"{settings or 'a command'} was answered in the error queue with {entries}",
        instrument=instrument,
        next_step=f"{range_text}compare with the instrument's own range; the transcript shows what was sent",
    )


class Waiter:
    """Waits until what was sent is complete, in the way that the dialect names.

    Reading ``*ESR?`` clears it, so the other bits are gathered here and reported with the completion.
    ``deaf`` is true during a wait in which the instrument may not answer anything.
    """

    def __init__(self, link: ScpiLink) -> None:
        self._link = link
        self._register_is_clear = False
        self._started_before = False
        self.deaf = False

    def forget(self) -> None:
        """Take nothing for granted about the event status register."""
        self._register_is_clear = False

    def tells_restart(self, said: str) -> bool:
        """Return whether an answer to ``*ESR?`` says that the instrument has started since the last one."""
        before, self._started_before = self._started_before, True
        return (
            before
            and re.fullmatch("[0-9]{1,3}", said.strip()) is not None
            and bool(int(said) & Events.POWER_ON)
        )

    def cleared(self) -> None:
        """Note that the registers were cleared: from here on, a power-on event means a restart."""
        self._register_is_clear = False
        self._started_before = True

    def run(self, text: str, expected_s: float, margin_s: float) -> None:
        """Send ``text`` (nothing if empty) and wait; LinkError after ``expected_s`` + ``margin_s``."""
        way = self._link.settings.completion
        if way == "opc_query" and expected_s < _OPC_QUERY_LIMIT_S:
            self._send(text)
            self._link.ask("*OPC?", timeout_s=expected_s + margin_s)
        elif way == "operation_condition":
            self._until_idle(text, expected_s, margin_s)
        elif way == "elapsed":
            self._send(text)
            self.deaf = True
            try:
                self._link.clock.sleep(expected_s * (1 + _ELAPSED_SHARE) + SLICE_S)
            finally:
                self.deaf = False
        else:
            self._until_opc(text, expected_s, margin_s)

    def _send(self, text: str) -> None:
        if text:
            self._link.set(text)

    def _until_opc(self, text: str, expected_s: float, margin_s: float) -> None:
        if not self._register_is_clear:
            self._read_leftovers()
        self._register_is_clear = False
        self._send(f"{text};*OPC" if text else "*OPC")
        polls = _Polls(self._link, text, expected_s, margin_s)
        events = Events(0)
        while Events.COMPLETE not in (events := events | Events(polls.register("*ESR?"))):
            polls.pause()
        self._register_is_clear = True
        self._link.check_events(events, text or "the commands before")

    def _read_leftovers(self) -> None:
        """Clear the register: a completion left over from before would end the wait before it began."""
        events = Events(int(number(self._link.ask("*ESR?"), instrument=self._link.name, asked="*ESR?")))
        if self._started_before and Events.POWER_ON in events:
            self._link.check_events(Events.POWER_ON, "")
        self._started_before = True

    def _until_idle(self, text: str, expected_s: float, margin_s: float) -> None:
        self._send(text)
        polls = _Polls(self._link, text, expected_s, margin_s)
        while polls.operation() & (Operation.SWEEPING | Operation.MEASURING):
            polls.pause()


class _Polls:
    """The polls of one wait: the first after the expected time, then closer or wider as that time was short
    or long.
    """

    def __init__(self, link: ScpiLink, text: str, expected_s: float, margin_s: float) -> None:
        self._link, self._text, self._expected_s = link, text, expected_s
        self._deadline: Deadline = link.clock.deadline(expected_s + margin_s)
        self._pause_s = min(SLICE_S, max(_SHORTEST_PAUSE_S, 0.02 * expected_s))
        link.clock.sleep(expected_s)

    def register(self, query: str) -> int:
        """Ask for a register; the answer may take until the deadline, on an instrument that reads nothing
        meanwhile.
        """
        link = self._link
        reply = link.ask(query, timeout_s=max(link.settings.timeout_s, self._deadline.left))
        return int(number(reply, instrument=link.name, asked=query))

    def operation(self) -> Operation:
        """Ask for the operation condition register."""
        return Operation(self.register(self._link.settings.operation_query) & sum(Operation))

    def pause(self) -> None:
        """Sleep until the next poll; LinkError once the deadline has passed."""
        if self._deadline.passed:
            raise self._too_late()
        self._link.clock.sleep(min(self._pause_s, max(self._deadline.left, _SHORTEST_PAUSE_S)))
        self._pause_s = min(SLICE_S, self._pause_s * 1.5)

    def _too_late(self) -> LinkError:
        link, what = self._link, self._text or "the commands before"
        waits = bool(self.operation() & Operation.WAITING_FOR_TRIGGER)
        error = link.timed_out(self._text or "*OPC", self._deadline.seconds)
        return LinkError(
            f"{what} did not complete within {self._deadline.seconds:.3g} s (expected {self._expected_s:.3g} "
            "s)"
            f"{'; it waits for a trigger' if waits else ''}: {error.message.removeprefix(link.name + ': ')}",
            instrument=link.name,
            next_step="set the trigger source to immediate" if waits else error.next_step,
        )
