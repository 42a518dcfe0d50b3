"""The relay switch: open before close, wait, verify."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import ClassVar

from hilkit.errors import RefusedError
from hilkit.instruments.capability import CapabilitySpec, by_name
from hilkit.instruments.instrument import ScpiInstrument
from hilkit.instruments.replies import channel_list

__all__ = ["SwitchMatrix"]


class SwitchMatrix(ScpiInstrument):
    """Relays by channel number.

    A read-back is what the switch believes of its relays, not what its contacts do. RF has to be off when one
    moves: that is the gate's business.
    """

    INSTRUMENT_CLASS: ClassVar[str] = "switch_matrix"
    CAPABILITIES: ClassVar[Mapping[str, CapabilitySpec]] = by_name(
        CapabilitySpec(
            name="reset", kind="action", meaning="back to the settings of the factory", access="w"
        ),
        CapabilitySpec(
            name="close",
            kind="action",
            meaning="close channels",
            access="w",
            arguments=("channels",),
            required=True,
        ),
        CapabilitySpec(
            name="open_all", kind="action", meaning="open every channel", access="w", required=True
        ),
        CapabilitySpec(
            name="open", kind="action", meaning="open channels", access="w", arguments=("channels",)
        ),
        CapabilitySpec(
            name="closed", kind="text", meaning="list of closed channels", access="r", required=True
        ),
    )
    OPTIONAL_SECTIONS: ClassVar[tuple[str, ...]] = ("settling",)
    _wanted: tuple[int, ...] | None = None

    def verify_settings(self) -> None:
        """Ask which channels are closed; RefusedError where they are not those that were left closed."""
        if self._wanted is not None and (found := self.closed()) != self._wanted:
            raise RefusedError(
                f"after a lost answer channels {_listed(found)} are closed, {_listed(self._wanted)} were",
                instrument=self.name,
                next_step="find out whether it restarted",
            )

    def route(self, channels: Iterable[int]) -> None:
        """Open everything, then close ``channels``, wait for the relays and verify; RefusedError if one
        differs.
        """
        wanted = tuple(sorted(set(channels)))
        self.open_all()
        if not wanted:
            return
        self._wanted = None
        self.do("close", channels=",".join(map(str, wanted)))
        self._settle_and_verify(wanted)

    def open_all(self) -> None:
        """Open every channel, wait and verify."""
        self._wanted = None
        self.do("open_all")
        self._settle_and_verify(())

    def open(self, channels: Iterable[int]) -> None:
        """Open these channels, wait and verify; others stay as they are."""
        wanted = tuple(sorted(set(channels)))
        self._wanted = None
        self.do("open", channels=",".join(map(str, wanted)))
        self.link.clock.sleep(self.dialect.settling_s)
        if left := tuple(channel for channel in self.closed() if channel in wanted):
            raise RefusedError(
                f"channels {_listed(wanted)} should be open, {_listed(left)} are closed",
                instrument=self.name,
                next_step="check the channel numbers in the bench file; a relay may be stuck",
            )

    def closed(self) -> tuple[int, ...]:
        """Ask which channels are closed, lowest first."""
        query = self._capability("closed").query()
        return self.link.surely(
            query, lambda: channel_list(self.link.ask(query), instrument=self.name, asked=query)
        )

    def _settle_and_verify(self, wanted: tuple[int, ...]) -> None:
        self.link.clock.sleep(self.dialect.settling_s)
        found = self.closed()
        if found != wanted:
            raise RefusedError(
                f"channels {_listed(wanted)} should be closed, {_listed(found)} are",
                instrument=self.name,
                next_step="check the channel numbers in the bench file; a relay may be stuck",
            )
        self._wanted = wanted


def _listed(channels: tuple[int, ...]) -> str:
    return ", ".join(map(str, channels)) or "none"
