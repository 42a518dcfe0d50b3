"""The simulated relay switch: SCPI-99 ``ROUTe`` in front of the world's relays."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Protocol

from hilkit.sim.common import COMMON
from hilkit.sim.instrument import ScpiInstrument
from hilkit.sim.parameters import Channels
from hilkit.sim.scpi import Command, Tree
from hilkit.sim.status import ScpiError

__all__ = ["Relay", "Switch"]


class Relay(Protocol):
    """The physics behind the front panel."""

    def close(self, channels: list[int]) -> None:
        """Close these channels, leave the others."""

    def open(self, channels: list[int]) -> None:
        """Open these channels."""


class Switch(ScpiInstrument):
    """A relay switch; after ``*RST`` everything is open. ``contacts`` outside are sensed, true for closed."""

    def __init__(
        self,
        name: str,
        clock: Any,
        *,
        relay: Relay,
        channels: Sequence[int],
        settle_s: float = 0.0,
        contacts: Mapping[int, bool] | None = None,
        **common: Any,
    ) -> None:
        self._relay = relay
        self.contacts = dict(contacts or {})
        self.channels = tuple(channels)
        self._closed: set[int] = set()
        self._settle_s = settle_s
        super().__init__(name, clock, **common)

    def reset_settings(self) -> None:
        """Open everything."""
        self.open(self.channels)

    def _known(self, channels: Collection[int]) -> list[int]:
        for channel in channels:
            if channel not in self.channels:
                raise ScpiError(-222, f"channel {channel}")
        return list(channels)

    def close(self, channels: Collection[int]) -> None:
        """``ROUTe:CLOSe``: all, or none if one does not exist; done when the contacts have settled."""
        self._closed |= set(self._known(channels))
        if "stuck_relay" not in self.strike:
            self._relay.close(list(channels))
        self.begin(self._settle_s)

    def open(self, channels: Collection[int]) -> None:
        """``ROUTe:OPEN``."""
        self._closed -= set(self._known(channels))
        if "stuck_relay" not in self.strike:
            self._relay.open(list(channels))
        self.begin(self._settle_s)

    def states(self, channels: Collection[int], *, closed: bool) -> str:
        """Return 1 or 0 for each channel: whether it is closed, or open."""
        return ",".join(
            "1" if (channel in self._closed) is closed else "0" for channel in self._known(channels)
        )

    def sensed(self, numbers: Collection[int]) -> str:
        """Return 1 or 0 for each input of a contact outside: whether it is closed."""
        if "open_contact" in self.strike:
            self.contacts = dict.fromkeys(self.contacts, False)
        if unknown := [number for number in numbers if number not in self.contacts]:
            raise ScpiError(-222, f"contact {unknown[0]}")
        return ",".join("1" if self.contacts[number] else "0" for number in numbers)

    @property
    def closed(self) -> tuple[int, ...]:
        """The channels that are closed as far as the instrument knows."""
        return tuple(sorted(self._closed))


_LIST = Channels()

Switch.tree = Tree(
    (
        *COMMON,
        Command(
            pattern="[:ROUTe]:CLOSe",
            takes=(_LIST,),
            asks=(_LIST,),
            do=lambda switch, channels: switch.close(channels),
            ask=lambda switch, channels: switch.states(channels, closed=True),
        ),
        Command(pattern="[:ROUTe]:CLOSe:STATe", ask=lambda switch: _LIST.answer(switch.closed, switch)),
        Command(
            pattern="[:ROUTe]:OPEN",
            takes=(_LIST,),
            asks=(_LIST,),
            do=lambda switch, channels: switch.open(channels),
            ask=lambda switch, channels: switch.states(channels, closed=False),
        ),
        Command(
            pattern="[:SENSe]:DIGital:DATA",
            asks=(_LIST,),
            ask=lambda switch, numbers: switch.sensed(numbers),
        ),
        Command(pattern="[:ROUTe]:OPEN:ALL", do=lambda switch: switch.open(switch.channels)),
    )
)
