"""The contrary analyser: an instrument that does what it likes, for drivers that must not trust one.

It clips silently, is "complete" at once, answers pairs of x and y, puts settings back to AUTO when others are
written, forgets none of a colleague's offsets at ``*RST``, and has words and answers of its own. Its
behaviour in full is the comment at the head of ``drivers/signal_analyser_contrary.yaml``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, ClassVar

import numpy as np

from hilkit.sim.analyser import NAN, Analyser
from hilkit.sim.analyser_commands import ACTIONS, CAPTURE
from hilkit.sim.common import COMMON, block
from hilkit.sim.front_panel import Floats
from hilkit.sim.parameters import Choice, Flag, Level, Number, Whole, pick_decade
from hilkit.sim.scpi import Command, Tree, setting
from hilkit.sim.status import OPC

__all__ = ["ContraryAnalyser"]

_PICK = pick_decade((1.0, 3.0), 10.0, 3e6, up=True)


def _loud(value: float) -> str:
    """A number with its sign and three digits of exponent."""
    mantissa, exponent = f"{value:+.12E}".split("E")
    return f"{mantissa}E{exponent[0]}{int(exponent[1:]):03d}"


class _Number(Number):
    def answer(self, value: Any, instrument: Any) -> str:
        return _loud(value)


class _Whole(Whole):
    def answer(self, value: Any, instrument: Any) -> str:
        return _loud(value)


class _Level(Level):
    def answer(self, value: Any, instrument: Any) -> str:
        return _loud(value)


class _Flag(Flag):
    def answer(self, value: Any, instrument: Any) -> str:
        return "ON" if value else "OFF"


class _Choice(Choice):
    """Answers the long form in lower case and quotes."""

    def answer(self, value: Any, instrument: Any) -> str:
        return f'"{next(word for word in self.words if self._by_text[word.upper()] == value).lower()}"'


# written: what goes back to AUTO, whatever is written and even if nothing changes
_RELAPSES: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("centre", "span", "start", "stop"), ("rbw", "vbw", "sweep_time")),
    **dict.fromkeys(("points", "rbw"), ("vbw", "sweep_time")),
    "vbw": ("sweep_time",),
    **dict.fromkeys(("reference_level", "preamplifier"), ("attenuation",)),
}

_KEPT_AT_RESET = ("offset", "corrections")


class ContraryAnalyser(Analyser):
    """An analyser that deviates in everything that a driver might take for granted."""

    detectors: ClassVar[Mapping[str, str]] = {
        "AVER": "rms",
        "NSAM": "sample",
        "MAXP": "peak",
        "MINP": "negative",
    }
    averages: ClassVar[Mapping[str, str]] = {"POW": "power", "VID": "log", "VOLT": "voltage"}
    lowest_span_hz = 1e3
    attenuation_step_db = 5.0
    attenuation_high_db = 50.0

    def reset_settings(self) -> None:
        """``*RST``: continuous sweeps, internal reference; level offset and corrections stay as they were."""
        kept = {key: self.settings[key] for key in _KEPT_AT_RESET if key in self.settings}
        super().reset_settings()
        self.settings.update(detector="MAXP", average_type="VID", continuous=True, **kept)
        self._acquisition = 0

    def noise_key(self) -> tuple[object, ...]:
        """Return settings and number since ``*RST``: nobody can write on this screen what is at work."""
        return *self.request().items(), self._acquisition

    def automatic(self, key: str) -> float:
        """Return what this maker couples: bandwidths to the next higher of 1-3-10, slower sweeps."""
        if key == "rbw":
            return _PICK(self.settings["span"] / 100)
        if key == "vbw":
            return _PICK(3 * float(self.look_up("rbw")))
        if key == "sweep_time":
            return self._sweep_time(4.0, 5e-3)
        return self.pick_attenuation(
            self.settings["reference_level"] + (25 if self.settings["preamplifier"] else 15)
        )

    def pick_attenuation(self, value_db: float) -> float:
        """Return the next higher step, in range."""
        step = self.attenuation_step_db
        return min(max(math.ceil(value_db / step - 1e-9) * step, 0.0), self.attenuation_high_db)

    def relapse(self, key: str) -> None:
        """Let others fall back to AUTO."""
        for name in _RELAPSES.get(key, ()):
            self.settings[f"{name}_auto"] = True
        if key == "detector":
            self.settings["average_type"] = "VID"

    def arm_completion(self) -> None:
        """``*OPC``: complete at once, whatever is running."""
        self.status.events |= OPC

    def error_text(self, code: int, text: str) -> str:
        """Return an entry of the error queue in this maker's manner."""
        return '+0,"OK"' if code == 0 else f"{code},'{text}'"

    def levels(self) -> Floats:
        """Return the last complete trace at once; all of it 9.91E37 before the first."""
        self._free_run()
        if self._trace is None or "nan" in self.strike:
            return np.full(self.settings["points"], NAN)
        return self.scaled(self._trace)

    def trace(self, name: str) -> str | bytes:
        """``TRACe:DATA?``: pairs of frequency in Hz and level, 64 bits, least significant byte first."""
        levels = self.levels()
        axis = np.linspace(self.look_up("start"), self.look_up("stop"), levels.size)
        return block(np.column_stack((axis, levels)).astype("<f8").tobytes())

    def format_text(self) -> str:
        """``FORMat:DATA?``: as it was set, although nothing follows it."""
        kind, length = self.settings["format"]
        return '"ascii"' if kind == "ASC" else f'"real,{length}"'


def _band_low(analyser: Any) -> float:
    return max(10e6, float(analyser.limits.low_hz))


def _band_high(analyser: Any) -> float:
    return min(6e9, float(analyser.limits.high_hz))


def _number(unit: str, low: Any, high: Any, **more: Any) -> _Number:
    return _Number(unit=unit, low=low, high=high, clip=True, **more)


_BAND = _number("HZ", 10.0, 3e6, default=3e6, pick=_PICK)
_FLAG = _Flag()
_STEPS = _number("DB", 0.0, 50.0, default=10.0, pick=lambda value: math.ceil(value / 5 - 1e-9) * 5.0)

_OWN: tuple[Command, ...] = (
    setting("[:SENSe]:FREQuency:CENTer", "centre", _number("HZ", _band_low, _band_high)),
    setting("[:SENSe]:FREQuency:SPAN", "span", _number("HZ", 1e3, _band_high, default=_band_high)),
    setting("[:SENSe]:FREQuency:STARt", "start", _number("HZ", 0.0, _band_high)),
    setting("[:SENSe]:FREQuency:STOP", "stop", _number("HZ", _band_low, _band_high, default=_band_high)),
    setting("[:SENSe]:BANDwidth[:RESolution]", "rbw", _BAND),
    setting("[:SENSe]:BANDwidth[:RESolution]:AUTO", "rbw_auto", _FLAG),
    setting("[:SENSe]:BANDwidth:VIDeo", "vbw", _BAND),
    setting("[:SENSe]:BANDwidth:VIDeo:AUTO", "vbw_auto", _FLAG),
    setting("[:SENSe]:SWEep:POINts", "points", _Whole(low=101, high=5001, default=1001, clip=True)),
    setting("[:SENSe]:SWEep:TIME", "sweep_time", _number("S", 5e-3, 1000.0)),
    setting("[:SENSe]:SWEep:TIME:AUTO", "sweep_time_auto", _FLAG),
    setting("[:SENSe]:AVERage[:STATe]", "average", _FLAG),
    setting("[:SENSe]:AVERage:COUNt", "average_count", _Whole(low=1, high=999, default=10, clip=True)),
    setting("[:SENSe]:AVERage:TYPE", "average_type", _Choice(("POWer", "VIDeo", "VOLTage"))),
    setting("[:SENSe]:DETector:TRACe", "detector", _Choice(("AVERage", "NSAMple", "MAXPeak", "MINPeak"))),
    setting("[:SENSe]:POWer:RF:ATTenuation", "attenuation", _STEPS),
    setting("[:SENSe]:POWer:RF:ATTenuation:AUTO", "attenuation_auto", _FLAG),
    setting("[:SENSe]:POWer:RF:GAIN[:STATe]", "preamplifier", _FLAG),
    setting("[:SENSe]:ROSCillator:SOURce", "reference", _Choice(("INT", "EXT10"))),
    Command(pattern="[:SENSe]:ROSCillator:LOCKed", ask=lambda analyser: str(int(analyser.locked))),
    setting("[:SENSe]:CORRection[:STATe]", "corrections", _FLAG),
    setting(
        ":DISPlay[:WINDow]:TRACe:Y[:SCALe]:RLEVel",
        "reference_level",
        _Level(low=-100.0, high=25.0, clip=True),
    ),
    setting(":DISPlay[:WINDow]:TRACe:Y[:SCALe]:RLEVel:OFFSet", "offset", _number("DB", -200.0, 200.0)),
    setting(":UNIT:POWer", "power_unit", _Choice(("DBM", "DBMV", "DBUV", "W"))),
    setting(":FORMat:BORDer", "border", _Choice(("NORMal", "SWAPped"))),
    setting(":INITiate:CONTinuous", "continuous", _FLAG),
    setting(":TRIGger[:SEQuence]:SOURce", "trigger", _Choice(("IMMediate", "EXTernal", "BUS"))),
    setting(":INPut:COUPling", "coupling", _Choice(("AC", "DC"))),
    Command(pattern="*OPC", do=lambda analyser: analyser.arm_completion(), ask=lambda analyser: "1"),
    Command(pattern="*WAI", do=lambda analyser: None),
)

ContraryAnalyser.tree = Tree(
    (*(each for each in COMMON if each.pattern not in ("*OPC", "*WAI")), *CAPTURE, *ACTIONS, *_OWN)
)
