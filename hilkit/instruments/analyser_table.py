"""What a signal analyser can be told and asked, and its known state, as data."""

from __future__ import annotations

from hilkit.instruments.capability import CapabilitySpec, Kind, Value, by_name
from hilkit.instruments.sweep import AVERAGE_TYPES, DETECTORS

__all__ = ["CAPABILITIES", "KNOWN_STATE", "SWEEP_SETTINGS"]


def _action(name: str, meaning: str, *, required: bool = False) -> CapabilitySpec:
    return CapabilitySpec(name=name, kind="action", meaning=meaning, access="w", required=required)


def _number(
    name: str, unit: str, meaning: str, *, required: bool = True, ranged: bool = True
) -> CapabilitySpec:
    kind: Kind = "integer" if unit == "1" else "number"
    return CapabilitySpec(name=name, kind=kind, meaning=meaning, unit=unit, required=required, ranged=ranged)


def _switch(name: str, meaning: str, *, required: bool = False) -> CapabilitySpec:
    return CapabilitySpec(name=name, kind="boolean", meaning=meaning, required=required)


def _choice(name: str, words: tuple[str, ...], meaning: str, *, required: bool = False) -> CapabilitySpec:
    return CapabilitySpec(name=name, kind="word", meaning=meaning, words=words, required=required)


def _state(name: str, meaning: str) -> CapabilitySpec:
    return CapabilitySpec(name=name, kind="boolean", meaning=meaning, access="r")


CAPABILITIES = by_name(
    _action("reset", "back to the settings of the factory", required=True),
    _action("start", "start one sweep, or one average", required=True),
    _action("abort", "stop a sweep"),
    CapabilitySpec(
        name="operation", kind="integer", meaning="operation condition register", access="r", unit="1"
    ),
    _number("centre", "Hz", "centre frequency"),
    _number("span", "Hz", "span"),
    _number("points", "1", "points of a trace"),
    _number("rbw", "Hz", "resolution bandwidth"),
    _switch("rbw_auto", "resolution bandwidth coupled to the span"),
    _number("vbw", "Hz", "video bandwidth"),
    _switch("vbw_auto", "video bandwidth coupled to the resolution bandwidth"),
    _number("sweep_time", "s", "time of one sweep"),
    _switch("sweep_time_auto", "sweep time coupled to span and bandwidths", required=True),
    _choice("detector", DETECTORS, "what of the signal within a point is shown", required=True),
    _switch("detector_auto", "detector coupled to other settings"),
    _choice("average_type", AVERAGE_TYPES, "what is averaged", required=True),
    _switch("average_state", "averaging of sweeps", required=True),
    _number("average_count", "1", "sweeps of an average"),
    _number("attenuation", "dB", "input attenuation"),
    _switch("attenuation_auto", "attenuation coupled to the reference level"),
    _switch("preamplifier", "preamplifier"),
    _number("reference_level", "dBm", "level at the top of the screen"),
    _number("level_offset", "dB", "number added to every level", required=False, ranged=False),
    _choice("level_unit", ("dBm",), "unit of all levels"),
    _number("impedance", "1", "input impedance in ohms", required=False, ranged=False),
    _choice("coupling", ("ac", "dc"), "input coupling"),
    _switch("corrections", "frequency response corrections typed in by a user"),
    _switch("trace_maths", "arithmetic between traces"),
    _choice("trace_mode", ("write",), "clear and write instead of max hold, min hold or view"),
    _choice("reference_source", ("external", "internal"), "source of the frequency reference", required=True),
    _switch("continuous", "sweeping without end", required=True),
    _choice("trigger_source", ("immediate",), "what starts a sweep"),
    _choice("trace_format", ("real32", "real64", "ascii"), "form of trace data"),
    _choice("byte_order", ("big", "little"), "which byte of a binary number comes first"),
    _number("iq_rate", "Hz", "sample rate of an I/Q capture", required=False),
    _number("iq_length", "1", "complex samples of an I/Q capture", required=False),
    _action("iq_start", "take one I/Q capture"),
    CapabilitySpec(
        name="iq_data",
        kind="text",
        meaning="samples of the last capture, I and Q in turns, in V (RMS) across 50 ohm, as trace data",
        access="r",
    ),
    _state("overload", "the input is overloaded"),
    _state("uncalibrated_sweep", "the sweep is too fast for its filters"),
    _state("reference_locked", "locked to the selected reference"),
    CapabilitySpec(name="annotation", kind="text", meaning="text on the screen", access="w"),
)

KNOWN_STATE: dict[str, Value] = {
    "continuous": False,
    "trigger_source": "immediate",
    "level_unit": "dBm",
    "level_offset": 0.0,
    "impedance": 50,
    "coupling": "ac",
    "corrections": False,
    "trace_maths": False,
    "trace_mode": "write",
    "detector_auto": False,
    "detector": "rms",
    "average_type": "power",
    "average_state": False,
    "preamplifier": False,
    "attenuation_auto": False,
    "rbw_auto": False,
    "vbw_auto": False,
}
"""Every setting that alters a number, apart from those of the sweep, in the order in which it is sent.

AC coupling keeps a DC voltage away from the mixer; a path that needs DC coupling has no business below 10 MHz
here.
"""

SWEEP_SETTINGS = (
    "centre",
    "span",
    "points",
    "detector_auto",
    "detector",
    "average_type",
    "average_state",
    "average_count",
    "preamplifier",
    "attenuation_auto",
    "attenuation",
    "reference_level",
    "rbw_auto",
    "rbw",
    "vbw_auto",
    "vbw",
    "sweep_time_auto",
    "sweep_time",
)
"""What ``configure`` sends; a dialect gives the order."""
