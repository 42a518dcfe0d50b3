"""The outputs of a simulated DC supply: voltage, limits, protection, and the load that they feed.

Nothing runs by itself. ``settle`` works out what the load makes of the output, and is called whenever one of
both changes: so a current that is too much trips while it flows, not when somebody asks.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal, Protocol

from hilkit.clock import Clock
from hilkit.sim.profile_supply import OutputProfile, SupplyProfile

__all__ = ["Load", "SimOutput", "SimSupply"]

FOLDED = 0.25
"""What is left of the voltage once a load takes more than the current limit and there is no trip; it stays
so until the output is switched off."""


class Load(Protocol):
    """What stands at the terminals of an output."""

    def draw_a(self) -> float:
        """Return the current it takes at its voltage, in A."""
        ...

    def feed(self, volts: float) -> None:
        """Take what is at the terminals from now on."""

    def when_changed(self, changed: Callable[[], None]) -> None:
        """Call ``changed`` after each change of the current that it takes."""


class SimOutput:
    """One output. Change its settings with :meth:`change`.

    ``extra_a`` is a current on top of what the load takes, such as that of a fault.
    """

    def __init__(
        self, profile: OutputProfile, supply: SupplyProfile, clock: Clock, load: Load | None
    ) -> None:
        self.profile = profile
        self._supply = supply
        self._clock = clock
        self._load = load
        self.on = profile.on
        self.voltage_v = profile.voltage.v
        self.limit_a = profile.current_limit.a
        self.extra_a = 0.0
        self.tripped: Literal["", "voltage", "current"] = ""
        self._folded = False
        self._turned_at_s = -math.inf
        self._left_v = 0.0
        self._protect()
        if load is not None:
            load.when_changed(self.settle)
        self.settle()

    def _protect(self) -> None:
        self.protection_v = 1.1 * self._supply.highest.v
        self.voltage_protection = True
        self.current_protection = False

    def reset(self) -> None:
        """Take the settings of ``*RST``: off, no voltage."""
        self.turn(False)
        self.voltage_v = 0.0
        self._protect()

    def turn(self, on: bool) -> None:
        """Switch on or off; one that has tripped stays off."""
        if on and not self.tripped and not self.on:
            self.on, self._folded = True, False
            self._turned_at_s = self._clock.now()
        elif not on and self.on:
            self._left_v = self.terminals_v
            self.on, self._folded = False, False
            self._turned_at_s = self._clock.now()
        self.settle()

    def change(self, key: str, value: float | bool) -> None:
        """Change ``voltage_v``, ``limit_a``, ``protection_v`` or one of the protections' switches."""
        setattr(self, key, value)
        self.settle()

    def settle(self) -> None:
        """Work out trips and what arrives at the load."""
        if self.on and self.voltage_protection and self.voltage_v > self.protection_v:
            self._trip("voltage")
        elif self.on and self._wanted_a() > self.limit_a:
            if self.current_protection:
                self._trip("current")
            else:
                self._folded = True
        if self._load is not None:
            self._load.feed(self._fed_v)

    def _trip(self, kind: Literal["voltage", "current"]) -> None:
        self.tripped = kind
        self._left_v = self.voltage_v
        self.on = False
        self._turned_at_s = self._clock.now()

    def _wanted_a(self) -> float:
        load = self._load.draw_a() if self._load is not None else 0.0
        return load + self.profile.draw.a + self.extra_a

    @property
    def _fed_v(self) -> float:
        if not self.on:
            return 0.0
        return FOLDED * self.voltage_v if self._folded else self.voltage_v

    @property
    def terminals_v(self) -> float:
        """The voltage at the terminals now: it rises in a straight line and falls exponentially."""
        since_s = self._clock.now() - self._turned_at_s
        if self.on:
            return self._fed_v * min(1.0, since_s / max(self._supply.rise_time.s, 1e-9))
        return float(self._left_v * 10 ** (-since_s / max(self._supply.fall_time.s, 1e-9)))

    @property
    def current_a(self) -> float:
        """The current out of the output now."""
        if not self.on:
            return 0.0
        return self.limit_a if self._folded else min(self._wanted_a(), self.limit_a)


class SimSupply:
    """A supply by its outputs, numbered from 1."""

    def __init__(self, profile: SupplyProfile, clock: Clock, loads: dict[str, Load]) -> None:
        self.profile = profile
        self.outputs = {
            int(number): SimOutput(output, profile, clock, loads.get(output.feeds or ""))
            for number, output in profile.outputs.items()
        }

    def measured_v(self, output: int) -> float:
        """Return the voltage of an output as the supply's own meter reads it."""
        return self.outputs[output].terminals_v * (1 + self.profile.meter_error.value)

    def measured_a(self, output: int) -> float:
        """Return the current of an output as the supply's own meter reads it."""
        return self.outputs[output].current_a * (1 + self.profile.meter_error.value)
