"""Limits of a base station's transmitter: 3GPP TS 38.104 (NR, frequency range 1) and TS 36.104 (E-UTRA).

What is marked as from memory was not read in the table that is named. Test requirements are minimum
requirements relaxed by the test tolerance of TS 38.141-1, Annex C; for E-UTRA there are none here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

from hilkit.judgement.standards import nr, older
from hilkit.judgement.standards.conditions import (
    Conditions,
    Published,
    choose,
    relaxed,
    tolerance_by_frequency,
)
from hilkit.judgement.standards.source import Source, StandardMistake

__all__ = ["CLASSES", "STATION_RULES", "absolute_leakage", "relative_leakage"]

CLASSES = ("wide_area", "medium_range", "local_area")
_EUTRA_NOTE = "value of TS 36.104 V19.2.0"
_EVM = {"QPSK": 17.5, "16QAM": 12.5, "64QAM": 8.0, "256QAM": 3.5}
_ABSOLUTE = {"wide_area A": -13.0, "wide_area B": -15.0, "medium_range": -25.0, "local_area": -32.0}


def _nr(version: str, clause: str, table: str = "", *, from_memory: bool = False, note: str = "") -> Source:
    return Source(
        document="3GPP TS 38.104",
        version=version,
        clause=clause,
        table=table,
        from_memory=from_memory,
        note=note,
    )


def _eutra(clause: str, table: str = "") -> Source:
    return Source(document="3GPP TS 36.104", version="V19.2.0", clause=clause, table=table)


def _power(c: Conditions, old: bool) -> Published:
    """Mean power around the declared rated output power."""
    rated = c.need("rated", "the declared rated output power")
    width = 2.5 if c.extreme else 2.0
    source = _eutra("6.2.1") if old else _nr("V16.0.0", "6.2.2")
    found = Published(unit="dBm", low=rated - width, high=rated + width, nominal=rated, sources=(source,))
    return _with_tolerance(found, c, lambda: tolerance_by_frequency(c, 0.7, 1.0))


def _dynamic_range(c: Conditions, old: bool) -> Published:
    """All resource blocks over one: 10 lg N_RB, cut after the first decimal."""
    bandwidth = c.need("bandwidth", "the channel bandwidth")
    if old:
        blocks, source = older.eutra_blocks(bandwidth), _eutra("6.3.2", "6.3.2.1-1")
    else:
        spacing = c.need("subcarrier_spacing", "the subcarrier spacing")
        blocks = nr.resource_blocks(bandwidth, spacing)
        read = spacing == 15e3 and bandwidth <= 20e6
        source = _nr("V16.0.0", "6.3.3", "6.3.3.2-1", from_memory=not read)
    low = math.floor(100 * math.log10(blocks)) / 10
    found = Published(unit="dB", low=low, sources=(source,))
    return _with_tolerance(found, c, lambda: 0.4, read=True)


def _off(c: Conditions, old: bool) -> Published:
    """Density with the transmitter off, in dBm/Hz."""
    found = Published(
        unit="dBm/Hz", high=-145.0, sources=(_eutra("6.4.1") if old else _nr("V16.0.0", "6.4.1"),)
    )
    return _with_tolerance(found, c, lambda: tolerance_by_frequency(c, 2.0, 2.5))


def _transient(c: Conditions, old: bool) -> Published:
    source = _eutra("6.4.2") if old else _nr("V16.0.0", "6.4.2", "6.4.2.2-1", from_memory=True)
    found = Published(unit="s", high=17e-6 if old else 10e-6, sources=(source,))
    return _with_tolerance(found, c, lambda: 0.0)


def _ppm(c: Conditions, old: bool) -> tuple[float, Source]:
    station = choose("class", c.station, (*CLASSES, "home") if old else CLASSES, "class of base station")
    ppm = {"wide_area": 0.05, "home": 0.25}.get(station, 0.1)
    nr_source = _nr("V16.0.0", "6.5.1", "6.5.1.2-1", from_memory=True, note=_EUTRA_NOTE)
    return ppm, _eutra("6.5.1") if old else nr_source


def _frequency_hz(c: Conditions, old: bool) -> Published:
    ppm, source = _ppm(c, old)
    width = ppm * 1e-6 * c.need("carrier", "the carrier frequency")
    found = Published(unit="Hz", low=-width, high=width, nominal=0.0, sources=(source,))
    return _with_tolerance(found, c, lambda: 12.0)


def _frequency_ppm(c: Conditions, old: bool) -> Published:
    ppm, source = _ppm(c, old)
    found = Published(unit="ppm", low=-ppm, high=ppm, nominal=0.0, sources=(source,))
    return _with_tolerance(found, c, lambda: 12e6 / c.need("carrier", "the carrier frequency"))


def _evm(c: Conditions, old: bool) -> Published:
    known = {**_EVM, "1024QAM": 2.5} if old else _EVM
    if c.modulation == "1024QAM" and not old:
        raise StandardMistake(
            "modulation",
            "hilkit has no EVM limit of NR for 1024QAM: it depends on release and frequency",
            seen=c.modulation,
            allowed=", ".join(known),
            next_step="read it in TS 38.104, Table 6.5.2.2-1, and write max by hand",
        )
    high = known[choose("modulation", c.modulation, tuple(known), "modulation")]
    source = _eutra("6.5.2", "6.5.2-1") if old else _nr("V16.0.0", "6.5.2.2", "6.5.2.2-1")
    return _with_tolerance(Published(unit="%", high=high, sources=(source,)), c, lambda: 1.0, read=True)


def _occupied(c: Conditions, old: bool) -> Published:
    bandwidth = c.need("bandwidth", "the channel bandwidth")
    if old:
        older.eutra_blocks(bandwidth)
    else:
        nr.check_bandwidth(bandwidth)
    source = _eutra("6.6.1") if old else _nr("V16.0.0", "6.6.2")
    return _with_tolerance(Published(unit="Hz", high=bandwidth, sources=(source,)), c, lambda: 0.0)


def relative_leakage(c: Conditions, old: bool) -> Published:
    """Return the least adjacent-channel leakage ratio in dB; bands n46, n96 and n102 are not covered."""
    bandwidth = c.need("bandwidth", "the channel bandwidth")
    if old:
        older.eutra_blocks(bandwidth)
        source = _eutra("6.6.2.1", "6.6.2.1-1")
    else:
        nr.check_bandwidth(bandwidth)
        source = _nr("V17.5.0", "6.6.3.2", "6.6.3.2-1")
    found = Published(unit="dB", low=45.0, sources=(source,))
    return _with_tolerance(found, c, lambda: 0.8 if bandwidth <= 20e6 else 1.2)


def absolute_leakage(c: Conditions, old: bool) -> Published:
    """Return the highest power of an adjacent channel in dBm, in 1 MHz."""
    station = choose("class", c.station, (*CLASSES, "home") if old else CLASSES, "class of base station")
    if station == "wide_area":
        station += " " + choose("category", c.category, ("A", "B"), "category of spurious emissions")
    high = {**_ABSOLUTE, "home": -50.0}[station]
    source = _eutra("6.6.2.1") if old else _nr("V17.5.0", "6.6.3.2", "6.6.3.2-2")
    return _with_tolerance(Published(unit="dBm", high=high, sources=(source,)), c, lambda: 0.0)


def _leakage_margin(c: Conditions, old: bool) -> Published:
    """The less stringent of both counts: the procedure is told both, its margin is 0 dB or more."""
    relative, absolute = relative_leakage(c, old), absolute_leakage(c, old)
    return replace(
        relative,
        low=0.0,
        sources=tuple(dict.fromkeys((*relative.sources, *absolute.sources))),
        settings=(
            ("relative_limit", f"{relative.low:.10g} dB"),
            ("absolute_limit", f"{absolute.high:.10g} dBm"),
        ),
    )


def _with_tolerance(
    found: Published, c: Conditions, tolerance: Callable[[], float], *, read: bool = False
) -> Published:
    eutra = found.sources[0].document.endswith("36.104")
    if c.requirement == "test" and eutra:
        raise StandardMistake(
            "requirement",
            "hilkit has no test tolerances of E-UTRA (TS 36.141)",
            seen="test",
            allowed="minimum",
        )
    return relaxed(found, c, tolerance() if c.requirement == "test" else 0.0, read=read)


Rule = Callable[[Conditions, bool], Published]
# Clause: what its limit is on, as (word in the reading's name, unit) with the rule.
STATION_RULES: Mapping[str, Mapping[str, tuple[tuple[str, str, Rule], ...]]] = {
    "ts_38_104": {
        "6.2.2": (("power", "dBm", _power),),
        "6.3.3": (("dynamic_range", "dB", _dynamic_range),),
        "6.4.1": (("off", "dBm/Hz", _off),),
        "6.4.2": (("transient", "s", _transient),),
        "6.5.1": (("frequency_error", "Hz", _frequency_hz), ("frequency_error", "ppm", _frequency_ppm)),
        "6.5.2": (("evm", "%", _evm),),
        "6.6.2": (("occupied_bandwidth", "Hz", _occupied),),
        "6.6.3": (
            ("leakage_margin", "dB", _leakage_margin),
            ("aclr", "dB", relative_leakage),
            ("leakage", "dBm", absolute_leakage),
        ),
    },
    "ts_36_104": {
        "6.2.1": (("power", "dBm", _power),),
        "6.3.2": (("dynamic_range", "dB", _dynamic_range),),
        "6.4.1": (("off", "dBm/Hz", _off),),
        "6.4.2": (("transient", "s", _transient),),
        "6.5.1": (("frequency_error", "Hz", _frequency_hz), ("frequency_error", "ppm", _frequency_ppm)),
        "6.5.2": (("evm", "%", _evm),),
        "6.6.1": (("occupied_bandwidth", "Hz", _occupied),),
        "6.6.2": (
            ("leakage_margin", "dB", _leakage_margin),
            ("aclr", "dB", relative_leakage),
            ("leakage", "dBm", absolute_leakage),
        ),
    },
}
