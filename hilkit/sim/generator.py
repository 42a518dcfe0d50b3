"""The simulated signal generator: SCPI-99 ``SOURce`` and ``OUTPut`` in front of the world's generator.

At power-on and after ``*RST`` its output is off. What a colleague typed in stays in force until then: a level
offset, an upper limit, an offset or a multiplier of the frequency, levelling switched off. The switches of
its modulations can be set and asked; the line itself stays unmodulated.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from hilkit.clock import Clock
from hilkit.sim.common import COMMON
from hilkit.sim.instrument import ScpiInstrument
from hilkit.sim.parameters import Choice, Flag, Level, Number, Text
from hilkit.sim.scpi import Command, Tree, setting

__all__ = ["Generator", "GeneratorLimits", "Source"]

# SCPI-99 volume 1, clause 9.4: POWer and FREQuency of the questionable register.
POWER_BIT, FREQUENCY_BIT = 3, 5


class Source(Protocol):
    """The physics behind the front panel."""

    def put_out(
        self, *, frequency_hz: float, level_dbm: float, on: bool, levelled: bool, external: bool
    ) -> None:
        """Change the output."""

    @property
    def unlevelled(self) -> bool:
        """True when the level that is set is more than it can give."""
        ...

    @property
    def locked(self) -> bool:
        """True when the reference in use is there."""
        ...


@dataclass(frozen=True, kw_only=True)
class GeneratorLimits:
    """What differs between generators of this kind: band in Hz, levels in dBm, settling in s."""

    low_hz: float
    high_hz: float
    lowest_dbm: float
    highest_dbm: float
    settle_s: float = 0.0


class Generator(ScpiInstrument):
    """A signal generator with one output."""

    def __init__(
        self, name: str, clock: Clock, *, source: Source, limits: GeneratorLimits, **common: Any
    ) -> None:
        self._source = source
        self.limits = limits
        self.step_text = ""
        super().__init__(name, clock, **common)

    def reset_settings(self) -> None:
        """Output off, lowest level, nothing added to any number."""
        self.settings = {
            "frequency": min(max(1e9, self.limits.low_hz), self.limits.high_hz),
            "frequency_mode": "CW",
            "frequency_offset": 0.0,
            "multiplier": 1.0,
            "level": self.limits.lowest_dbm,
            "level_mode": "FIX",
            "level_offset": 0.0,
            "limit": self.limits.highest_dbm,
            "limited": False,
            "alc": True,
            "attenuator_auto": True,
            "output": False,
            "reference": "INT",
            "power_unit": "DBM",
            "am": False,
            "fm": False,
            "pm": False,
            "pulse": False,
        }
        self._put_out()

    @property
    def power_unit(self) -> str:
        """The unit of levels without suffix."""
        return str(self.settings["power_unit"])

    def change(self, key: str, value: Any) -> None:
        """Write a setting; what alters the output takes its time to settle."""
        if key == "level_offset":  # the output stays as it is, the number shown moves
            self.settings["level"] += value - self.settings["level_offset"]
        self.settings[key] = value
        self._put_out()
        if key in ("frequency", "level", "output"):
            self.begin(self.limits.settle_s)

    def shown_dbm(self, value_dbm: float) -> float:
        """Return a level at the connector as it is set and shown."""
        return value_dbm + float(self.settings["level_offset"])

    @property
    def _level_dbm(self) -> float:
        """The level at the connector that the settings ask for."""
        return float(self.settings["level"] - self.settings["level_offset"])

    @property
    def _limiting(self) -> bool:
        return bool(self.settings["limited"]) and self._level_dbm > self.settings["limit"]

    def _put_out(self) -> None:
        s = self.settings
        self._source.put_out(
            frequency_hz=(s["frequency"] - s["frequency_offset"]) / s["multiplier"],
            level_dbm=float(s["limit"]) if self._limiting else self._level_dbm,
            on=s["output"],
            levelled=s["alc"],
            external=s["reference"] == "EXT",
        )

    def refresh_status(self) -> None:
        """Bring the questionable condition up to date."""
        power = self._source.unlevelled or self._limiting or not self.settings["alc"]
        self.status.questionable.update(power << POWER_BIT | (not self._source.locked) << FREQUENCY_BIT)

    def annotate(self, text: str) -> None:
        """``DISPlay:TEXT``: what the client works at."""
        self.step_text = text


def _low_hz(generator: Any) -> float:
    return float(generator.limits.low_hz)


def _high_hz(generator: Any) -> float:
    return float(generator.limits.high_hz)


_FREQUENCY = Number(unit="HZ", low=_low_hz, high=_high_hz, default=_low_hz)
_FLAG = Flag()

Generator.tree = Tree(
    (
        *COMMON,
        setting("[:SOURce]:FREQuency[:CW]", "frequency", _FREQUENCY),
        setting("[:SOURce]:FREQuency:FIXed", "frequency", _FREQUENCY),
        setting("[:SOURce]:FREQuency:MODE", "frequency_mode", Choice(("CW", "FIXed"))),
        setting("[:SOURce]:FREQuency:OFFSet", "frequency_offset", Number(unit="HZ", low=-50e9, high=50e9)),
        setting("[:SOURce]:FREQuency:MULTiplier", "multiplier", Number(low=1.0, high=100.0, default=1.0)),
        setting(
            "[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]",
            "level",
            Level(
                low=lambda generator: generator.shown_dbm(generator.limits.lowest_dbm),
                high=lambda generator: generator.shown_dbm(generator.limits.highest_dbm + 4),
                default=lambda generator: generator.shown_dbm(generator.limits.lowest_dbm),
            ),
        ),
        setting(
            "[:SOURce]:POWer[:LEVel][:IMMediate]:OFFSet",
            "level_offset",
            Number(unit="DB", low=-200.0, high=200.0),
        ),
        setting("[:SOURce]:POWer:MODE", "level_mode", Choice(("CW", "FIXed"))),
        setting(
            "[:SOURce]:POWer:LIMit[:AMPLitude]",
            "limit",
            Level(low=-150.0, high=50.0, default=lambda generator: generator.limits.highest_dbm),
        ),
        setting("[:SOURce]:POWer:LIMit:STATe", "limited", _FLAG),
        setting("[:SOURce]:POWer:ALC[:STATe]", "alc", _FLAG),
        setting("[:SOURce]:POWer:ATTenuation:AUTO", "attenuator_auto", _FLAG),
        setting("[:SOURce]:AM:STATe", "am", _FLAG),
        setting("[:SOURce]:FM:STATe", "fm", _FLAG),
        setting("[:SOURce]:PM:STATe", "pm", _FLAG),
        setting("[:SOURce]:PULM:STATe", "pulse", _FLAG),
        setting("[:SOURce]:ROSCillator:SOURce", "reference", Choice(("INTernal", "EXTernal"))),
        setting(":OUTPut[:STATe]", "output", _FLAG),
        setting(":UNIT:POWer", "power_unit", Choice(("DBM", "DBMV", "DBUV", "W"))),
        Command(
            pattern=":DISPlay[:WINDow]:TEXT[:DATA]",
            takes=(Text(),),
            do=lambda generator, text: generator.annotate(text),
            ask=lambda generator: Text().answer(generator.step_text, generator),
        ),
    )
)
