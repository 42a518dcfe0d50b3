"""The command table of the simulated signal analyser (SCPI-99 volume 2)."""

from __future__ import annotations

from typing import Any

from hilkit.sim.parameters import Choice, Flag, Level, Name, Number, Text, Whole, pick_decade
from hilkit.sim.scpi import Command, setting

__all__ = ["ACTIONS", "BANDWIDTH_STEPS", "CAPTURE", "SETTINGS", "high_hz", "low_hz"]


def high_hz(analyser: Any) -> float:
    """Return the upper end of the band."""
    return float(analyser.limits.high_hz)


def lowest_span_hz(analyser: Any) -> float:
    """Return the smallest span."""
    return float(analyser.lowest_span_hz)


def low_hz(analyser: Any) -> float:
    """Return the lower end of the band."""
    return float(analyser.limits.low_hz)


BANDWIDTH_STEPS = pick_decade((1.0, 2.0, 3.0, 5.0), 1.0, 10e6)

_BAND = Number(unit="HZ", low=1.0, high=10e6, default=3e6, pick=BANDWIDTH_STEPS)
_FLAG = Flag()

SETTINGS: tuple[Command, ...] = (
    setting(
        "[:SENSe]:FREQuency:CENTer",
        "centre",
        Number(unit="HZ", low=low_hz, high=high_hz, default=lambda analyser: high_hz(analyser) / 2),
    ),
    setting(
        "[:SENSe]:FREQuency:SPAN",
        "span",
        Number(unit="HZ", low=lowest_span_hz, high=high_hz, default=high_hz),
    ),
    setting("[:SENSe]:FREQuency:STARt", "start", Number(unit="HZ", low=0.0, high=high_hz, default=low_hz)),
    setting("[:SENSe]:FREQuency:STOP", "stop", Number(unit="HZ", low=low_hz, high=high_hz, default=high_hz)),
    setting("[:SENSe]:SWEep:POINts", "points", Whole(low=11, high=10001, default=1001)),
    setting("[:SENSe]:SWEep:TIME", "sweep_time", Number(unit="S", low=1e-3, high=4000.0, default=0.01)),
    setting("[:SENSe]:SWEep:TIME:AUTO", "sweep_time_auto", _FLAG),
    setting("[:SENSe]:AVERage[:STATe]", "average", _FLAG),
    setting("[:SENSe]:AVERage:COUNt", "average_count", Whole(low=1, high=10000, default=10)),
    setting("[:SENSe]:ROSCillator:SOURce", "reference", Choice(("INTernal", "EXTernal"))),
    setting("[:SENSe]:CORRection[:STATe]", "corrections", _FLAG),
    setting(
        ":DISPlay[:WINDow]:TRACe:Y[:SCALe]:RLEVel:OFFSet", "offset", Number(unit="DB", low=-200.0, high=200.0)
    ),
    setting(":UNIT:POWer", "power_unit", Choice(("DBM", "DBMV", "DBUV", "W"))),
    setting(":FORMat:BORDer", "border", Choice(("NORMal", "SWAPped"))),
    setting(":INITiate:CONTinuous", "continuous", _FLAG),
    setting(":TRIGger[:SEQuence]:SOURce", "trigger", Choice(("IMMediate", "EXTernal", "BUS"))),
    setting(":INPut:COUPling", "coupling", Choice(("AC", "DC"))),
    *(
        setting(f"[:SENSe]:{word}[:RESolution]{tail}", f"rbw{key}", kind)
        for word in ("BANDwidth", "BWIDth")
        for tail, key, kind in (("", "", _BAND), (":AUTO", "_auto", _FLAG))
    ),
    *(
        setting(f"[:SENSe]:{word}:VIDeo{tail}", f"vbw{key}", kind)
        for word in ("BANDwidth", "BWIDth")
        for tail, key, kind in (("", "", _BAND), (":AUTO", "_auto", _FLAG))
    ),
    setting("[:SENSe]:AVERage:TYPE", "average_type", Choice(("RMS", "SCALar"))),
    setting("[:SENSe]:DETector[:FUNCtion]", "detector", Choice(("RMS", "SAMPle", "POSitive", "NEGative"))),
    setting(
        ":INPut:ATTenuation",
        "attenuation",
        Number(unit="DB", low=0.0, high=70.0, default=10.0, pick=lambda value: round(value / 2) * 2.0),
    ),
    setting(":INPut:ATTenuation:AUTO", "attenuation_auto", _FLAG),
    setting(":INPut:GAIN:STATe", "preamplifier", _FLAG),
    setting(
        ":INPut:IMPedance",
        "impedance",
        Number(
            unit="OHM", low=50.0, high=75.0, default=50.0, pick=lambda value: 50.0 if value < 62.5 else 75.0
        ),
    ),
    setting(":CALCulate:MATH:STATe", "maths", _FLAG),
    setting(
        ":DISPlay[:WINDow]:TRACe:Y[:SCALe]:RLEVel",
        "reference_level",
        Level(low=-130.0, high=30.0, default=0.0),
    ),
    Command(
        pattern=":DISPlay[:WINDow]:TEXT[:DATA]",
        takes=(Text(),),
        do=lambda analyser, text: analyser.annotate(text),
        ask=lambda analyser: Text().answer(analyser.step_text, analyser),
    ),
)

CAPTURE: tuple[Command, ...] = (
    setting("[:SENSe]:IQ:SRATe", "iq_rate", Number(unit="HZ", low=1e5, high=200e6, default=30.72e6)),
    setting("[:SENSe]:IQ:LENGth", "iq_length", Whole(low=256, high=4_000_000, default=1024)),
    Command(pattern=":INITiate:IQ", do=lambda analyser: analyser.start_capture()),
    Command(pattern=":TRACe:IQ[:DATA]", ask=lambda analyser: analyser.iq_data()),
)
"""I/Q capture: no standard has headers for it; these are this analyser's own."""

ACTIONS: tuple[Command, ...] = (
    Command(pattern=":INITiate[:IMMediate]", do=lambda analyser: analyser.initiate()),
    Command(pattern=":ABORt", do=lambda analyser: analyser.abort()),
    Command(pattern=":TRACe[:DATA]", asks=(Name(),), ask=lambda analyser, name: analyser.trace(name)),
    Command(
        pattern=":FORMat[:DATA]",
        takes=(Choice(("ASCii", "REAL")), Whole(low=0, high=64)),
        takes_spare=1,
        do=lambda analyser, *values: analyser.choose_format(*values),
        ask=lambda analyser: analyser.format_text(),
    ),
)
