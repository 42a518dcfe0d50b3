"""The power meter: a known state, zeroing only without RF, averaged readings in watts."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from hilkit.errors import RefusedError, ReplyError, UsageError
from hilkit.instruments.capability import CapabilitySpec, Kind, Value, by_name
from hilkit.instruments.dialect import Dialect
from hilkit.instruments.instrument import ScpiInstrument
from hilkit.instruments.link import ScpiLink

__all__ = ["MeterLimits", "PowerMeter", "PowerReading"]

_RESET_MARGIN_S = 30.0
_SLOW_SHARE = 0.5


def _action(name: str, meaning: str, *, required: bool = False) -> CapabilitySpec:
    return CapabilitySpec(name=name, kind="action", meaning=meaning, access="w", required=required)


def _number(name: str, unit: str, meaning: str) -> CapabilitySpec:
    kind: Kind = "integer" if unit == "1" else "number"
    return CapabilitySpec(name=name, kind=kind, meaning=meaning, unit=unit, required=True, ranged=True)


def _switch(name: str, meaning: str) -> CapabilitySpec:
    return CapabilitySpec(name=name, kind="boolean", meaning=meaning)


_KNOWN_STATE: dict[str, Value] = {
    "continuous": False,
    "trigger_source": "immediate",
    "level_unit": "W",
    "offset": 0.0,
    "offset_state": False,
    "corrections": False,
    "range_auto": True,
    "zero_auto": False,
    "average_auto": False,
    "average_state": True,
}
"""Every setting that alters a number besides frequency and averages, in the order in which it is sent."""


@dataclass(frozen=True, kw_only=True)
class MeterLimits:
    """What may be set, as (lowest, highest), from the driver file."""

    frequency_hz: tuple[float, float]
    averages: tuple[int, int]


@dataclass(frozen=True, kw_only=True)
class PowerReading:
    """One averaged reading: power in W at ``frequency_hz``, which chose the calibration factor.

    Noise and the error of the zero make it negative where there is no power. ``overload`` is None where the
    meter cannot tell.
    """

    power_w: float
    frequency_hz: float
    averages: int
    overload: bool | None

    @property
    def level_dbm(self) -> float:
        """The reading in dBm; ReplyError where it is not above zero."""
        if self.power_w <= 0.0:
            raise ReplyError(
                f"the power meter reads {self.power_w:.3g} W, no power above its zero",
                next_step="check that RF is on and the sensor is connected; zero the meter with RF off",
            )
        return 10 * math.log10(self.power_w) + 30


class PowerMeter(ScpiInstrument):
    """A power meter with one sensor. It reads in watts, so that averages of noise stay averages."""

    INSTRUMENT_CLASS: ClassVar[str] = "power_meter"
    CAPABILITIES: ClassVar[Mapping[str, CapabilitySpec]] = by_name(
        _action("reset", "back to the settings of the factory", required=True),
        _action("start", "start one measurement with all its averages", required=True),
        _action("abort", "stop a measurement"),
        CapabilitySpec(
            name="operation", kind="integer", meaning="operation condition register", access="r", unit="1"
        ),
        CapabilitySpec(
            name="power",
            kind="number",
            meaning="result of the last measurement",
            access="r",
            unit="W",
            required=True,
        ),
        _number("frequency", "Hz", "frequency of the signal, which chooses the calibration factor"),
        _number("average_count", "1", "readings of an average"),
        _switch("average_state", "averaging"),
        _switch("average_auto", "number of averages chosen by the meter"),
        _action("zero", "take what is read now for zero", required=True),
        _switch("zero_auto", "zeroing at times of the meter's own choice"),
        CapabilitySpec(
            name="level_unit", kind="word", meaning="unit of all powers", words=("W",), required=True
        ),
        CapabilitySpec(name="offset", kind="number", meaning="number added to every level", unit="dB"),
        _switch("offset_state", "the offset is in force"),
        _switch("corrections", "frequency response corrections typed in by a user"),
        _switch("range_auto", "range chosen by the meter"),
        _switch("continuous", "measuring without end"),
        CapabilitySpec(
            name="trigger_source", kind="word", meaning="what starts a measurement", words=("immediate",)
        ),
        CapabilitySpec(name="overload", kind="boolean", meaning="the sensor is overloaded", access="r"),
        CapabilitySpec(name="annotation", kind="text", meaning="text on the screen", access="w"),
    )
    SECTIONS: ClassVar[tuple[str, ...]] = ("reading_time", "zeroing_time")

    def __init__(self, link: ScpiLink, dialect: Dialect) -> None:
        super().__init__(link, dialect)
        self._setup: tuple[float, int] | None = None

    def prepare(self) -> None:
        """Bring the meter into a known state, whatever a colleague left on its front panel.

        ``*RST``, then every setting that alters a number is set and read back. The zero is left as it is.
        """
        self._setup = None
        self._abort()
        self.forget_settings()
        self.link.set(self._capability("reset").command(instrument=self.name))
        self.link.clear_status()
        if self.has("continuous"):
            self.link.set(self._capability("continuous").command(False, instrument=self.name))
        self._abort()
        self.link.wait_complete(0.0, margin_s=_RESET_MARGIN_S)
        self.apply({name: value for name, value in _KNOWN_STATE.items() if self.has(name)})

    def configure(self, *, frequency_hz: float, averages: int) -> None:
        """Choose the frequency in Hz of the signal and the number of averages, both read back.

        RefusedError for what the meter does not have.
        """
        self._setup = None
        back = self.apply({"frequency": frequency_hz, "average_count": averages})
        self._setup = (float(back["frequency"]), int(back["average_count"]))

    def zero(self, *, rf_is_off: bool) -> None:
        """Zero the meter; takes seconds.

        UsageError unless the caller says with ``rf_is_off=True`` that no RF reaches the sensor: any power
        that does would be taken off every later reading.
        """
        if rf_is_off is not True:
            raise UsageError(
                f"{self.name}: zeroing with RF on the sensor takes that power off every later reading",
                next_step="switch off every source that reaches the sensor, then pass rf_is_off=True",
            )
        self.do("zero", expected_s=self.dialect.zeroing_time_s)

    def measure(self) -> PowerReading:
        """Measure once with the settings of the last ``configure`` and return the averaged power.

        LinkError if it does not complete in its time, ReplyError for an answer that is no power.
        """
        if self._setup is None:
            raise ValueError(f"{self.name}: measure needs a configure first")
        frequency_hz, averages = self._setup
        expected_s = self.expected_s(averages)
        try:
            self.link.run(
                self._capability("start").command(instrument=self.name),
                expected_s,
                margin_s=self.link.settings.margin_s + _SLOW_SHARE * expected_s,
            )
        except BaseException:
            # Left measuring, it would answer the next user late; what stopped the wait is more important.
            self._abort()
            raise
        power_w = self.read_number("power")
        self.link.drain_errors("the measurement")
        return PowerReading(
            power_w=power_w, frequency_hz=frequency_hz, averages=averages, overload=self.overload()
        )

    def expected_s(self, averages: int) -> float:
        """Return how long a measurement is expected to take, by the dialect."""
        return averages * self.dialect.reading_time_s

    def overload(self) -> bool | None:
        """Ask whether the sensor is overloaded; None where the dialect has no way to ask."""
        return bool(self.read("overload")) if self.has("overload") else None

    def limits(self) -> MeterLimits:
        """Return what may be set, from the driver file; nothing is asked."""
        averages = self._bounds("average_count")
        return MeterLimits(
            frequency_hz=self._bounds("frequency"), averages=(int(averages[0]), int(averages[1]))
        )

    def annotate(self, text: str) -> None:
        """Show ``text`` on the instrument's screen where it can; one that cannot is left alone."""
        if not self.has("annotation"):
            return
        plain = text.encode("ascii", "replace").decode("ascii")
        with contextlib.suppress(RefusedError):
            self.apply({"annotation": plain})

    def _abort(self) -> None:
        if self.has("abort") and not self.link.dead:
            with contextlib.suppress(Exception):
                self.link.set(self._capability("abort").command(instrument=self.name))
