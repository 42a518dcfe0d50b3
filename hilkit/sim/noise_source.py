"""The simulated noise source: SCPI-99 ``OUTPut`` in front of the supply of its diode."""

from __future__ import annotations

from typing import Any, Protocol

from hilkit.clock import Clock
from hilkit.sim.common import COMMON
from hilkit.sim.instrument import ScpiInstrument
from hilkit.sim.parameters import Flag
from hilkit.sim.scpi import Tree, setting

__all__ = ["Diode", "NoiseSource"]


class Diode(Protocol):
    """The physics behind the front panel."""

    on: bool


class NoiseSource(ScpiInstrument):
    """The switch of a noise source; off after ``*RST``."""

    def __init__(
        self, name: str, clock: Clock, *, diode: Diode, settle_s: float = 0.0, **common: Any
    ) -> None:
        self._diode, self._settle_s = diode, settle_s
        super().__init__(name, clock, **common)

    def reset_settings(self) -> None:
        """Off."""
        self.settings["output"] = False
        self._diode.on = False

    def change(self, key: str, value: Any) -> None:
        """Switch; the noise needs its time."""
        self.settings[key] = value
        self._diode.on = bool(value)
        self.begin(self._settle_s)


NoiseSource.tree = Tree((*COMMON, setting(":OUTPut[:STATe]", "output", Flag())))
