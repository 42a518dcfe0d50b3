"""The simulated step attenuator: SCPI-99 ``INPut:ATTenuation`` in front of the world's pad."""

from __future__ import annotations

from typing import Any, Protocol

from hilkit.sim.common import COMMON
from hilkit.sim.instrument import ScpiInstrument
from hilkit.sim.parameters import Number
from hilkit.sim.scpi import Tree, setting

__all__ = ["Pad", "StepAttenuator"]


class Pad(Protocol):
    """The physics behind the front panel."""

    def set(self, db: float) -> None:
        """Move to the code of ``db``."""

    def read(self) -> float:
        """Return the code in decibels."""
        ...


class StepAttenuator(ScpiInstrument):
    """A programmable step attenuator; after ``*RST`` it is at its highest attenuation."""

    def __init__(
        self,
        name: str,
        clock: Any,
        *,
        pad: Pad,
        low_db: float,
        high_db: float,
        step_db: float,
        settle_s: float = 0.0,
        **common: Any,
    ) -> None:
        self._pad = pad
        self.low_db, self.high_db, self.step_db = low_db, high_db, step_db
        self._settle_s = settle_s
        super().__init__(name, clock, **common)

    def reset_settings(self) -> None:
        """Go to the highest attenuation."""
        self.settings["attenuation"] = self.high_db
        self._pad.set(self.high_db)

    def pick(self, value_db: float) -> float:
        """Return the nearest step."""
        return round(round((value_db - self.low_db) / self.step_db) * self.step_db + self.low_db, 6)

    def change(self, key: str, value: float) -> None:
        """Move the attenuator; the answer follows the command, also when nothing moves."""
        self.settings[key] = self.pick(value)
        if "stuck_attenuator" not in self.strike:
            self._pad.set(self.settings[key])
        self.begin(self._settle_s)


StepAttenuator.tree = Tree(
    (
        *COMMON,
        setting(
            ":INPut:ATTenuation",
            "attenuation",
            Number(
                unit="DB",
                low=lambda pad: pad.low_db,
                high=lambda pad: pad.high_db,
                default=lambda pad: pad.high_db,
            ),
        ),
    )
)
