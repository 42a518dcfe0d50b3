"""The simulated power meter: SCPI-99 on the outside, readings that take time, physics from the world.

Offset and user corrections alter every number that it answers, and so does the frequency that it is told: it
picks the calibration factor of its sensor by it. At power-on it measures continuously.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Any, Protocol

from hilkit.clock import Clock
from hilkit.sim.common import COMMON
from hilkit.sim.instrument import ScpiInstrument
from hilkit.sim.parameters import Choice, Flag, Number, Parameter, Text, Whole, nr3
from hilkit.sim.program import Datum
from hilkit.sim.scpi import Command, Tree, setting
from hilkit.sim.status import ScpiError

__all__ = ["MeterLimits", "PowerMeter", "Reading", "Sensor"]

NAN = 9.91e37
"""SCPI's "not a number" (SCPI-99 volume 1, clause 7.2.1.5)."""

CORRECTION_DB = 2.0
"""Gain in decibels of a correction table that a colleague left; it counts while ``CORRection`` is on."""

AUTOMATIC_COUNT = 16
"""Readings of an average while ``AVERage:COUNt:AUTO`` is on."""

# SCPI-99 volume 1, clauses 9.3 and 9.4.
OVERLOAD_BIT = 3
CALIBRATING_BIT, MEASURING_BIT = 0, 4


class Reading(Protocol):
    """What one measurement yields."""

    @property
    def power_w(self) -> float:
        """Power in W, negative where noise and zero error make it so."""
        ...

    @property
    def overload(self) -> bool:
        """True when the sensor got more than it can measure."""
        ...


class Sensor(Protocol):
    """The physics behind the front panel."""

    def measure(
        self, *, frequency_hz: float, averages: int, seconds: float, key: tuple[Hashable, ...]
    ) -> Reading:
        """Take a reading that starts now; ``key`` decides its noise."""
        ...

    def zero(self) -> None:
        """Take what arrives now for nothing."""


@dataclass(frozen=True, kw_only=True)
class MeterLimits:
    """What differs between meters of this kind: band in Hz, time of one reading and of zeroing in s."""

    low_hz: float
    high_hz: float
    reading_s: float
    zero_s: float


class PowerMeter(ScpiInstrument):
    """A power meter with one sensor."""

    def __init__(
        self, name: str, clock: Clock, *, sensor: Sensor, limits: MeterLimits, **common: Any
    ) -> None:
        self._sensor = sensor
        self.limits = limits
        self.step_text = ""
        self._acquisition = 0
        self._clear()
        super().__init__(name, clock, **common)
        self.settings["continuous"] = True  # power-on: it measures until told otherwise

    def _clear(self) -> None:
        self._reading: Reading | None = None
        self._coming: Reading | None = None
        self._zeroing = False

    def reset_settings(self) -> None:
        """Forget the reading, single measurements, nothing added to any number; the zero is kept."""
        self.settings = {
            "frequency": min(max(50e6, self.limits.low_hz), self.limits.high_hz),
            "average": True,
            "average_count": 4,
            "average_count_auto": True,
            "offset": 0.0,
            "offset_state": False,
            "corrections": False,
            "range_auto": True,
            "power_unit": "DBM",
            "continuous": False,
            "trigger": "IMM",
        }
        self._clear()

    def look_up(self, key: str) -> Any:
        """Return a setting as it acts now."""
        if key == "average_count" and self.settings["average_count_auto"]:
            return AUTOMATIC_COUNT
        return self.settings[key]

    def change(self, key: str, value: Any) -> None:
        """Write a setting; a count that is written is no longer automatic, an old reading is void."""
        self.settings[key] = value
        if key == "average_count":
            self.settings["average_count_auto"] = False
        if key not in ("power_unit", "offset", "offset_state", "corrections"):
            self._reading = None

    def annotate(self, text: str) -> None:
        """``DISPlay:TEXT``: what the client works at; it names the noise and counts readings anew."""
        self.step_text = text
        self._acquisition = 0

    # measurements

    @property
    def averages(self) -> int:
        """Readings that are averaged."""
        return int(self.look_up("average_count")) if self.settings["average"] else 1

    @property
    def duration_s(self) -> float:
        """Seconds that a measurement takes."""
        return self.limits.reading_s * self.averages

    def initiate(self) -> None:
        """``INITiate``: measure once, an overlapped operation."""
        if self.settings["continuous"] or self.busy:
            raise ScpiError(-213)
        self._reading = None
        self.begin(self.duration_s)
        self._coming = self._measure()

    def _measure(self) -> Reading:
        self._acquisition += 1
        return self._sensor.measure(
            frequency_hz=self.settings["frequency"],
            averages=self.averages,
            seconds=self.duration_s,
            key=(self.step_text, self._acquisition),
        )

    def read(self) -> None:
        """Begin ``READ?``: what was running ends, a new measurement starts."""
        self.abort()
        self.initiate()

    def configure(self) -> None:
        """``CONFigure``: single measurements, averaged as the meter thinks fit."""
        self.abort()
        self.settings.update(continuous=False, trigger="IMM", average=True, average_count_auto=True)

    def measure(self) -> None:
        """Begin ``MEASure?``."""
        self.configure()
        self.initiate()

    def zero(self, once: bool) -> None:
        """``CALibration:ZERO:AUTO ONCE``: an overlapped operation; RF on the sensor becomes part of zero."""
        if not once:
            return
        self.abort()
        self._reading = None
        self._zeroing = True
        self._sensor.zero()
        self.begin(self.limits.zero_s)

    def abort(self) -> None:
        """``ABORt``: end the measurement without a result."""
        self._coming = None
        self._zeroing = False
        if self.busy:
            self.abandon()

    def finished(self) -> None:
        """Show the measurement that is over."""
        self._reading, self._coming = self._coming or self._reading, None
        self._zeroing = False

    def power(self) -> str:
        """``FETCh?``: the last reading; raises ScpiError -230 where there is none."""
        if self.settings["continuous"]:
            self._reading = self._measure()
        if "nan" in self.strike:
            return nr3(NAN)
        if self._reading is None:
            raise ScpiError(-230)
        return nr3(self._shown(self._reading.power_w))

    def _shown(self, power_w: float) -> float:
        """Return a power with everything applied that a front panel can do to it."""
        shift: float = self.settings["offset"] * self.settings["offset_state"]
        shift += CORRECTION_DB * self.settings["corrections"]
        if self.settings["power_unit"] == "W":
            return float(power_w * 10 ** (shift / 10))
        if power_w <= 0:
            return NAN
        return 10 * math.log10(power_w) + 30 + shift

    def refresh_status(self) -> None:
        """Bring the operation and questionable conditions up to date."""
        measuring = self.settings["continuous"] or (self.busy and not self._zeroing)
        self.status.operation.update(self._zeroing << CALIBRATING_BIT | measuring << MEASURING_BIT)
        over = self._reading is not None and self._reading.overload
        self.status.questionable.update(over << OVERLOAD_BIT)


class _Zero(Parameter):
    """ON, OFF or ONCE of an automatic zero; True for ONCE. This meter never zeroes by itself."""

    accepts = ("word", "number")

    def convert(self, datum: Datum, instrument: Any) -> bool:
        if datum.text not in ("ONCE", "OFF", "0"):
            raise ScpiError(-224, datum.text)
        return datum.text == "ONCE"


def _answer(pattern: str, starts: Callable[[Any], None] | None = None) -> Command:
    return Command(
        pattern=pattern,
        ask=lambda meter: meter.power(),
        ask_waits=True,
        ask_starts=starts,
    )


def _low_hz(meter: Any) -> float:
    return float(meter.limits.low_hz)


def _high_hz(meter: Any) -> float:
    return float(meter.limits.high_hz)


_FLAG = Flag()
_FREQUENCY = Number(unit="HZ", low=_low_hz, high=_high_hz, default=_low_hz)

PowerMeter.tree = Tree(
    (
        *COMMON,
        setting("[:SENSe]:FREQuency[:CW]", "frequency", _FREQUENCY),
        setting("[:SENSe]:FREQuency:FIXed", "frequency", _FREQUENCY),
        setting("[:SENSe]:AVERage[:STATe]", "average", _FLAG),
        setting("[:SENSe]:AVERage:COUNt", "average_count", Whole(low=1, high=1024, default=4)),
        setting("[:SENSe]:AVERage:COUNt:AUTO", "average_count_auto", _FLAG),
        setting("[:SENSe]:CORRection[:STATe]", "corrections", _FLAG),
        setting(
            "[:SENSe]:CORRection:OFFSet[:MAGNitude]", "offset", Number(unit="DB", low=-100.0, high=100.0)
        ),
        setting("[:SENSe]:CORRection:OFFSet:STATe", "offset_state", _FLAG),
        setting("[:SENSe]:POWer[:AC]:RANGe:AUTO", "range_auto", _FLAG),
        setting(":UNIT:POWer", "power_unit", Choice(("DBM", "W"))),
        setting(":INITiate:CONTinuous", "continuous", _FLAG),
        setting(":TRIGger[:SEQuence]:SOURce", "trigger", Choice(("IMMediate",))),
        Command(pattern=":INITiate[:IMMediate]", do=lambda meter: meter.initiate()),
        Command(pattern=":ABORt", do=lambda meter: meter.abort()),
        _answer(":FETCh[:SCALar][:POWer][:AC]"),
        _answer(":READ[:SCALar][:POWer][:AC]", lambda meter: meter.read()),
        _answer(":MEASure[:SCALar]:POWer[:AC]", lambda meter: meter.measure()),
        Command(
            pattern=":CONFigure[:SCALar]:POWer[:AC]",
            do=lambda meter: meter.configure(),
            ask=lambda meter: '"POW:AC"',
        ),
        Command(
            pattern=":CALibration:ZERO:AUTO",
            takes=(_Zero(),),
            do=lambda meter, once: meter.zero(once),
            ask=lambda meter: "0",
        ),
        Command(
            pattern=":DISPlay[:WINDow]:TEXT[:DATA]",
            takes=(Text(),),
            do=lambda meter, text: meter.annotate(text),
            ask=lambda meter: Text().answer(meter.step_text, meter),
        ),
    )
)
