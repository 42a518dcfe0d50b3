"""The front panel of the simulated analyser: settings, how they are coupled, what they do to a level."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from hilkit.clock import Clock
from hilkit.sim.analyser_commands import BANDWIDTH_STEPS
from hilkit.sim.instrument import ScpiInstrument
from hilkit.sim.parameters import from_dbm
from hilkit.sim.status import ScpiError

__all__ = ["DEFAULTS", "AnalyserLimits", "Floats", "FrontPanel"]

Floats = NDArray[np.float64]

CORRECTION_DB = 6.0
"""Gain in decibels of a correction table that a colleague left; it counts while ``CORRection`` is on."""

MATHS_DB = -3.0
"""Offset in decibels of the stored trace expression; it counts while ``CALCulate:MATH:STATe`` is on."""


DEFAULTS: dict[str, Any] = {
    "centre": 3.5e9,
    "span": 7e9,
    "points": 1001,
    "rbw": 3e6,
    "rbw_auto": True,
    "vbw": 3e6,
    "vbw_auto": True,
    "sweep_time": 0.01,
    "sweep_time_auto": True,
    "average": False,
    "average_count": 10,
    "average_type": "SCAL",
    "detector": "POS",
    "attenuation": 10.0,
    "attenuation_auto": True,
    "preamplifier": False,
    "impedance": 50.0,
    "coupling": "AC",
    "reference_level": 0.0,
    "offset": 0.0,
    "power_unit": "DBM",
    "reference": "INT",
    "maths": False,
    "corrections": False,
    "border": "NORM",
    "continuous": False,
    "trigger": "IMM",
    "iq_rate": 30.72e6,
    "iq_length": 1024,
}


@dataclass(frozen=True, kw_only=True)
class AnalyserLimits:
    """What differs between analysers of this kind: band in Hz, factor of the automatic sweep time."""

    low_hz: float = 9e3
    high_hz: float = 7e9
    sweep_factor: float = 2.5


class FrontPanel(ScpiInstrument):
    """The settings of a swept signal analyser. What is written holds; what is coupled to it gives way."""

    # words of the dialect to those of the physics
    detectors: ClassVar[Mapping[str, str]] = {
        "RMS": "rms",
        "SAMP": "sample",
        "POS": "peak",
        "NEG": "negative",
    }
    averages: ClassVar[Mapping[str, str]] = {"RMS": "power", "SCAL": "log"}
    lowest_span_hz = 100.0
    attenuation_step_db = 2.0
    attenuation_high_db = 70.0

    def __init__(
        self, name: str, clock: Clock, *, limits: AnalyserLimits | None = None, **common: Any
    ) -> None:
        self.limits = limits or AnalyserLimits()
        super().__init__(name, clock, **common)

    def reset_settings(self) -> None:
        """Put every setting to its ``*RST`` value: reference internal, single sweeps."""
        self.settings.update(DEFAULTS, format=("ASC", 0))
        self.settings["centre"], self.settings["span"] = self.limits.high_hz / 2, self.limits.high_hz

    @property
    def power_unit(self) -> str:
        """The unit of levels without suffix."""
        return str(self.settings["power_unit"])

    def look_up(self, key: str) -> Any:
        """Return a setting as it acts now, automatic ones computed."""
        if key in ("start", "stop"):
            half = self.settings["span"] / 2
            return self.settings["centre"] + (half if key == "stop" else -half)
        if self.settings.get(f"{key}_auto"):
            return self.automatic(key)
        return self.settings[key]

    def automatic(self, key: str) -> float:
        """Return what the coupling makes of ``rbw``, ``vbw``, ``sweep_time`` or ``attenuation``."""
        if key == "rbw":
            return BANDWIDTH_STEPS(self.settings["span"] / 100)
        if key == "vbw":
            return float(self.look_up("rbw"))
        if key == "sweep_time":
            return self._sweep_time(self.limits.sweep_factor, 1e-3)
        level = self.settings["reference_level"] - self.settings["offset"] + 10
        return self.pick_attenuation(level + (20 if self.settings["preamplifier"] else 0))

    def _sweep_time(self, factor: float, shortest_s: float) -> float:
        rbw = float(self.look_up("rbw"))
        slowest = min(rbw, float(self.look_up("vbw")))
        return max(shortest_s, factor * float(self.settings["span"]) / (rbw * slowest))

    def pick_attenuation(self, value_db: float) -> float:
        """Return the attenuation that the step attenuator has for ``value_db``: nearest step, in range."""
        step = self.attenuation_step_db
        return min(max(round(value_db / step) * step, 0.0), self.attenuation_high_db)

    def change(self, key: str, value: Any) -> None:
        """Write a setting and resolve what hangs on it."""
        if key in ("centre", "span", "start", "stop"):
            self._tune(key, value)
        elif key.endswith("_auto"):
            self._switch_automatic(key, value)
        else:
            self.settings[key] = value
        if f"{key}_auto" in self.settings:
            self.settings[f"{key}_auto"] = False
        self.relapse(key)

    def relapse(self, key: str) -> None:
        """Put what the writing of ``key`` disturbs back to automatic; nothing here."""

    def _switch_automatic(self, key: str, on: bool) -> None:
        """AUTO OFF keeps the value that the coupling had found."""
        if self.settings[key] and not on:
            name = key.removesuffix("_auto")
            self.settings[name] = self.automatic(name)
        self.settings[key] = on

    def _tune(self, key: str, value: float) -> None:
        """Resolve the frequency axis: what is written holds, the rest gives way and stays in range."""
        start, stop = self.look_up("start"), self.look_up("stop")
        if key == "span":
            half = value / 2
            centre = min(max(self.settings["centre"], half), max(self.limits.high_hz - half, half))
            self.settings.update(centre=centre, span=value)
        elif key == "centre":
            widest = 2 * min(value, self.limits.high_hz - value)
            span = max(min(self.settings["span"], widest), self.lowest_span_hz)
            self.settings.update(centre=value, span=span)
        else:
            start, stop = (value, max(stop, value)) if key == "start" else (min(start, value), value)
            if stop - start < self.lowest_span_hz:
                start, stop = (
                    (value, value + self.lowest_span_hz)
                    if key == "start"
                    else (value - self.lowest_span_hz, value)
                )
            self.settings.update(centre=(start + stop) / 2, span=stop - start)

    @property
    def external(self) -> bool:
        """True when the external reference is chosen."""
        return bool(self.settings["reference"].startswith("EXT"))

    @property
    def duration_s(self) -> float:
        """Seconds from the trigger to the end of the last averaged sweep."""
        count = self.settings["average_count"] if self.settings["average"] else 1
        return float(self.look_up("sweep_time")) * count

    def request(self) -> dict[str, Any]:
        """Return the settings of a sweep under the names of the world's sweep request."""
        rbw = float(self.look_up("rbw"))
        return {
            "centre_hz": self.settings["centre"],
            "span_hz": self.settings["span"],
            "points": self.settings["points"],
            "rbw_hz": rbw,
            "vbw_hz": float(self.look_up("vbw")),
            "detector": self.detectors[self.settings["detector"]],
            "average_type": self.averages[self.settings["average_type"]]
            if self.settings["average"]
            else "none",
            "averages": self.settings["average_count"] if self.settings["average"] else 1,
            "sweep_time_s": float(self.look_up("sweep_time")),
            "attenuation_db": float(self.look_up("attenuation")),
            "preamplifier": self.settings["preamplifier"],
            "reference_level_dbm": self.settings["reference_level"] - self.settings["offset"],
            "external_reference": self.external,
        }

    def capture_request(self) -> dict[str, Any]:
        """Return the settings of an I/Q capture under the names of the world's capture request."""
        return {
            "centre_hz": self.settings["centre"],
            "rate_hz": round(self.settings["iq_rate"] / 100) * 100.0,
            "count": self.settings["iq_length"],
            "attenuation_db": float(self.look_up("attenuation")),
            "preamplifier": self.settings["preamplifier"],
            "reference_level_dbm": self.settings["reference_level"] - self.settings["offset"],
            "external_reference": self.external,
        }

    def format_text(self) -> str:
        """``FORMat:DATA?``: type and length, 0 for a length of the instrument's choice."""
        kind, length = self.settings["format"]
        return f"{kind},{length}"

    def choose_format(self, kind: str, length: int | None = None) -> None:
        """``FORMat:DATA``."""
        if kind == "REAL" and length not in (None, 32, 64):
            raise ScpiError(-224, str(length))
        self.settings["format"] = (kind, (length or 32) if kind == "REAL" else length or 0)

    def scaled(self, level_dbm: Floats) -> Floats:
        """Return levels with everything applied that a front panel can do to them."""
        shift = self.settings["offset"]
        shift += CORRECTION_DB * self.settings["corrections"] + MATHS_DB * self.settings["maths"]
        # the same voltage is less power in a higher impedance
        shift -= 10 * math.log10(self.settings["impedance"] / 50)
        shown: Floats = from_dbm(level_dbm + shift, self.power_unit)
        return shown
