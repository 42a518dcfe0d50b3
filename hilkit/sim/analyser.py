"""The simulated signal analyser: SCPI-99 on the outside, sweeps that take time, physics from the bench's
world.

Its front panel is never trusted by a careful client: level offset, corrections, trace mathematics, impedance
and unit alter every number that it answers, and at power-on it sweeps continuously on whatever a colleague
left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from hilkit.clock import Clock
from hilkit.sim.analyser_commands import ACTIONS, CAPTURE, SETTINGS
from hilkit.sim.capture import Captured
from hilkit.sim.common import COMMON, block
from hilkit.sim.faults import Strike
from hilkit.sim.front_panel import Floats, FrontPanel
from hilkit.sim.parameters import nr3
from hilkit.sim.scpi import Tree
from hilkit.sim.status import ScpiError

__all__ = ["NAN", "Analyser", "Physics", "Swept"]

NAN = 9.91e37
"""SCPI's "not a number" (SCPI-99 volume 1, clause 7.2.1.5)."""

# designer bit of the questionable register (SCPI-99 volume 1, clause 9.4 leaves 9 to 12 to the maker)
COMPRESSION_DB = 6.0
"""How much too low everything is shown in a sweep that something strong from elsewhere overdrives."""

OVERLOAD_BIT, REFERENCE_BIT, UNCALIBRATED_BIT = 3, 5, 9
SWEEPING_BIT, WAITING_BIT = 3, 5


# Writing these needs no new sweep: they act on what is shown or how it is sent.
_AFTER_SWEEP = frozenset({"offset", "power_unit", "maths", "corrections", "border", "continuous"})


class Swept(Protocol):
    """What one acquisition yields: levels in dBm for each point, and what went wrong."""

    @property
    def level_dbm(self) -> Floats:
        """Level of each point."""
        ...

    @property
    def overload(self) -> bool:
        """True when mixer or IF were driven too hard."""
        ...

    @property
    def uncalibrated(self) -> bool:
        """True when the sweep was too fast for its filter."""
        ...


@dataclass(frozen=True)
class _Overdriven:
    """A sweep into which something strong from elsewhere came."""

    level_dbm: Floats
    uncalibrated: bool
    overload: bool = True


class Physics(Protocol):
    """What is behind the front panel of one analyser."""

    def sweep(self, settings: dict[str, Any], key: tuple[object, ...]) -> Swept:
        """Make the trace of a sweep that starts now; ``key`` decides its noise."""
        ...

    def capture(self, settings: dict[str, Any], key: tuple[object, ...]) -> Captured:
        """Make the samples of an I/Q capture that starts now; ``key`` decides its noise."""
        ...

    def select_reference(self, *, external: bool) -> None:
        """Switch the frequency reference."""

    def lose_reference(self) -> None:
        """Let the external reference vanish."""

    @property
    def locked(self) -> bool:
        """True when the reference in use holds the analyser."""
        ...


class Analyser(FrontPanel):
    """A swept signal analyser."""

    def __init__(self, name: str, clock: Clock, *, physics: Physics, **common: Any) -> None:
        self._physics = physics
        self._clear_sweeps()
        self.step_text = ""
        self._acquisition = 0
        self._overload = self._uncalibrated = self._overdriven = False
        self._free_since = clock.now()
        super().__init__(name, clock, **common)
        self.settings["continuous"] = True  # power-on: it sweeps until told otherwise

    def _clear_sweeps(self) -> None:
        self._trace: Floats | None = None
        self._coming: Swept | None = None
        self._waiting = False
        self._samples: Captured | None = None
        self._arriving: Captured | None = None

    def reset_settings(self) -> None:
        """Forget the trace, go back to the internal reference and to the settings of ``*RST``."""
        super().reset_settings()
        self._clear_sweeps()
        self._physics.select_reference(external=False)

    def change(self, key: str, value: Any) -> None:
        """Write a setting; start a running sweep again if it was made with the old one."""
        before = self.settings.get(key)
        super().change(key, value)
        if key == "points":
            self._trace = None
        if key == "reference":
            self._physics.select_reference(external=self.external)
        if key == "continuous" and value != before:
            self.abort()
        elif key not in _AFTER_SWEEP:
            self._restart()

    # sweeps

    def annotate(self, text: str) -> None:
        """``DISPlay:TEXT``: what the client works at; it names the noise and counts acquisitions anew."""
        self.step_text = text
        self._acquisition = 0

    def initiate(self) -> None:
        """``INITiate``: start one sweep (with its averages), an overlapped operation."""
        if self.settings["continuous"] or self.busy:
            raise ScpiError(-213)
        self._arm()

    def _arm(self) -> None:
        self._waiting = self.settings["trigger"] != "IMM"
        if self._waiting:
            self.begin(math.inf)
        else:
            self._start()

    def _start(self) -> None:
        self._waiting = False
        self._busy_until = None
        self.begin(self.duration_s)  # before the trace is made: what that takes is no part of the sweep
        self._coming = self._sweep()
        self.refresh_status()

    def _restart(self) -> None:
        if self.busy:
            self._arm()
        self._free_since = self.clock.now()

    def _sweep(self) -> Swept:
        self._acquisition += 1
        swept = self._physics.sweep(self.request(), self.noise_key())
        if not self._overdriven:
            return swept
        self._overdriven = False
        return _Overdriven(swept.level_dbm - COMPRESSION_DB, swept.uncalibrated)

    def noise_key(self) -> tuple[object, ...]:
        """Return what the noise of this sweep hangs on, so that a part of a run gives what the whole gave."""
        return self.step_text, self._acquisition

    # I/Q captures

    def start_capture(self) -> None:
        """``INITiate:IQ``: capture samples, an overlapped operation; not while it sweeps."""
        if self.settings["continuous"] or self.busy:
            raise ScpiError(-213)
        self._acquisition += 1
        self.begin(self.settings["iq_length"] / self.settings["iq_rate"])
        self._samples = None
        self._arriving = self._physics.capture(self.capture_request(), self.noise_key())

    def iq_data(self) -> str | bytes:
        """``TRACe:IQ?``: I and Q in turns, in V (RMS of the envelope) across 50 ohm, in the chosen format."""
        if self._samples is None:
            raise ScpiError(-230)
        volts = self._samples.samples * math.sqrt(50)
        return self._sent(np.stack([volts.real, volts.imag], axis=1).ravel())

    def finished(self) -> None:
        """Show the trace of the sweep, or the samples of the capture, that is over."""
        if self._arriving is not None:
            self._samples, self._arriving = self._arriving, None
            self._overload, self._uncalibrated = self._samples.overload, False
        if self._coming is not None:
            self._show(self._coming)
        self._coming = None
        self.refresh_status()

    def _show(self, swept: Swept) -> None:
        self._trace = swept.level_dbm
        self._overload, self._uncalibrated = swept.overload, swept.uncalibrated

    def abort(self) -> None:
        """``ABORt``: end the sweep without a trace; while continuous, the next one begins at once."""
        self._coming = self._arriving = None
        self._waiting = False
        self._free_since = self.clock.now()
        if self.busy:
            self.abandon()
        self.refresh_status()

    def trigger(self) -> None:
        """``*TRG``: start the sweep that waits for the bus."""
        if not self._waiting or self.settings["trigger"] != "BUS":
            raise ScpiError(-211)
        self._start()

    # faults

    def struck(self, strike: Strike) -> None:
        """Lose the reference, or be overdriven in the next sweep."""
        super().struck(strike)
        if "lost_reference" in strike:
            self._physics.lose_reference()
        if "overload" in strike:
            self._overdriven = True

    # status

    @property
    def locked(self) -> bool:
        """True when the reference in use holds the analyser."""
        return self._physics.locked

    def refresh_status(self) -> None:
        """Bring the operation and questionable conditions up to date."""
        sweeping = self.settings["continuous"] or (self.busy and not self._waiting)
        self.status.operation.update(sweeping << SWEEPING_BIT | self._waiting << WAITING_BIT)
        self.status.questionable.update(
            self._overload << OVERLOAD_BIT
            | (not self.locked) << REFERENCE_BIT
            | self._uncalibrated << UNCALIBRATED_BIT
        )

    # traces

    def levels(self) -> Floats:
        """Return the trace as shown, in the chosen unit; raises ScpiError -230 until the first sweep ends."""
        self._free_run()
        if "nan" in self.strike:
            return np.full(self.settings["points"], NAN)
        if self._trace is None:
            if self.busy:
                raise ScpiError(-230)
            return np.full(self.settings["points"], NAN)
        return self.scaled(self._trace)

    def _free_run(self) -> None:
        """While sweeping continuously, show the sweep that has ended since the last look."""
        if self.settings["continuous"] and self.clock.now() - self._free_since >= self.duration_s:
            self._show(self._sweep())
            self._free_since = self.clock.now()

    def trace(self, name: str) -> str | bytes:
        """``TRACe:DATA?``: the trace in the chosen format."""
        if name not in ("TRACE1", "TRAC1"):
            raise ScpiError(-224, name)
        return self._sent(self.levels())

    def _sent(self, values: Floats) -> str | bytes:
        kind, length = self.settings["format"]
        if kind == "ASC":
            return ",".join(nr3(value) for value in values.tolist())
        order = ">" if self.settings["border"] == "NORM" else "<"
        return block(values.astype(f"{order}f{length // 8}").tobytes())


Analyser.tree = Tree((*COMMON, *SETTINGS, *CAPTURE, *ACTIONS))
