"""NR carriers of frequency range 1: numbers of channels, rasters, bands, and what fits into a channel.

3GPP TS 38.104: clause 5.4.2 (V19.4.0), Table 5.2-1 (V18.12.0), Tables 5.3.2-1 and 5.3.3-1, Annex B.5.2.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from types import MappingProxyType

from hilkit.judgement.standards.source import Source, StandardMistake

__all__ = [
    "BANDS",
    "Band",
    "arfcn_to_hz",
    "band",
    "bands_at",
    "channel_raster",
    "fft_size",
    "guard_band_hz",
    "hz_to_arfcn",
    "resource_blocks",
    "transmission_bandwidth_hz",
    "widest_spacing_hz",
]

ARFCN_SOURCE = Source(document="3GPP TS 38.104", version="V19.4.0", clause="5.4.2.1", table="5.4.2.1-1")
BAND_SOURCE = Source(document="3GPP TS 38.104", version="V18.12.0", clause="5.2", table="5.2-1")

# Global frequency raster: up to here (Hz), step (Hz), offset (Hz), first N_REF.
_GLOBAL = (
    (3_000_000_000, 5_000, 0, 0),
    (24_250_080_000, 15_000, 3_000_000_000, 600_000),
    (100_000_000_000, 60_000, 24_250_080_000, 2_016_667),
)
_LAST_ARFCN = 3_279_165


def arfcn_to_hz(number: int) -> float:
    """Return the reference frequency of an NR-ARFCN (TS 38.104, 5.4.2.1); ``StandardMistake`` outside."""
    if not 0 <= number <= _LAST_ARFCN:
        raise StandardMistake(
            "arfcn", "there is no NR-ARFCN of this number", seen=str(number), allowed=f"0 to {_LAST_ARFCN}"
        )
    step, offset, first = next(row[1:] for row in reversed(_GLOBAL) if number >= row[3])
    return float(offset + step * (number - first))


def hz_to_arfcn(frequency_hz: float) -> int:
    """Return the NR-ARFCN of a frequency; ``StandardMistake`` where it lies on no raster point."""
    row = next((row for row in _GLOBAL if 0 <= frequency_hz < row[0]), None)
    if row is None:
        if frequency_hz != arfcn_to_hz(_LAST_ARFCN):
            seen, allowed = _megahertz(frequency_hz), "0 MHz to 99999.96 MHz"
            raise StandardMistake(
                "carrier", "the global frequency raster ends here", seen=seen, allowed=allowed
            )
        return _LAST_ARFCN
    _, step, offset, first = row
    number = first + round((frequency_hz - offset) / step)
    number = min(max(number, 0), _LAST_ARFCN)
    found = arfcn_to_hz(number)
    if abs(found - frequency_hz) > 0.5:
        raise StandardMistake(
            "carrier",
            "this frequency lies on no point of the NR frequency raster",
            seen=_megahertz(frequency_hz),
            allowed=f"steps of {step / 1e3:g} kHz here",
            next_step=f"the nearest is {_megahertz(found)}",
        )
    return number


@dataclass(frozen=True, kw_only=True)
class Band:
    """An operating band of Table 5.2-1, edges in Hz; uplink and downlink are equal where it is TDD."""

    name: str
    uplink_hz: tuple[float, float]
    downlink_hz: tuple[float, float]
    raster_khz: tuple[int, ...]
    source: Source = BAND_SOURCE

    @property
    def duplex(self) -> str:
        """FDD, or TDD where both directions share the band."""
        return "TDD" if self.uplink_hz == self.downlink_hz else "FDD"


# Band: uplink edges, downlink edges (MHz), rasters (kHz).
_ROWS: tuple[tuple[str, int, int, int, int, tuple[int, ...]], ...] = (
    ("n1", 1920, 1980, 2110, 2170, (100,)),
    ("n2", 1850, 1910, 1930, 1990, (100,)),
    ("n3", 1710, 1785, 1805, 1880, (100,)),
    ("n5", 824, 849, 869, 894, (100,)),
    ("n7", 2500, 2570, 2620, 2690, (100,)),
    ("n8", 880, 915, 925, 960, (100,)),
    ("n12", 699, 716, 729, 746, (100,)),
    ("n20", 832, 862, 791, 821, (100,)),
    ("n25", 1850, 1915, 1930, 1995, (100,)),
    ("n28", 703, 748, 758, 803, (100,)),
    ("n38", 2570, 2620, 2570, 2620, (100,)),
    ("n40", 2300, 2400, 2300, 2400, (100,)),
    ("n41", 2496, 2690, 2496, 2690, (15, 30)),
    ("n48", 3550, 3700, 3550, 3700, (15, 30)),
    ("n66", 1710, 1780, 2110, 2200, (100,)),
    ("n71", 663, 698, 617, 652, (100,)),
    ("n77", 3300, 4200, 3300, 4200, (15, 30)),
    ("n78", 3300, 3800, 3300, 3800, (15, 30)),
    ("n79", 4400, 5000, 4400, 5000, (15, 30)),
)
BANDS: Mapping[str, Band] = MappingProxyType(
    {
        name: Band(
            name=name,
            uplink_hz=(ul_low * 1e6, ul_high * 1e6),
            downlink_hz=(dl_low * 1e6, dl_high * 1e6),
            raster_khz=rasters,
        )
        for name, ul_low, ul_high, dl_low, dl_high, rasters in _ROWS
    }
)


def band(name: str) -> Band:
    """Return a band by its name; ``StandardMistake`` with the near ones where there is none."""
    if name in BANDS:
        return BANDS[name]
    meant = get_close_matches(name.replace("O", "0"), BANDS, n=3, cutoff=0.5)
    if name.isdigit() and f"n{name}" in BANDS:
        meant = [f"n{name}"]
    raise StandardMistake(
        "band",
        "hilkit knows no NR band of this name",
        seen=name,
        allowed=", ".join(BANDS),
        next_step=f"did you mean {' or '.join(meant)}?" if meant else "",
    )


def bands_at(frequency_hz: float) -> list[str]:
    """Return the bands whose downlink holds a frequency."""
    return [
        each.name for each in BANDS.values() if each.downlink_hz[0] <= frequency_hz <= each.downlink_hz[1]
    ]


def channel_raster(name: str, raster_khz: int | None = None, *, uplink: bool = False) -> range:
    """Return the NR-ARFCN that a band allows (TS 38.104, 5.4.2.3); the first of its rasters if not given."""
    found = band(name)
    spacing = found.raster_khz[0] if raster_khz is None else raster_khz
    if spacing not in found.raster_khz:
        allowed = ", ".join(f"{each} kHz" for each in found.raster_khz)
        message = f"band {name} has no channel raster of this step"
        raise StandardMistake("raster", message, seen=f"{spacing} kHz", allowed=allowed)
    low_hz, high_hz = found.uplink_hz if uplink else found.downlink_hz
    step_hz = next(row[1] for row in _GLOBAL if low_hz < row[0])
    offset_hz, start = next(row[2:] for row in _GLOBAL if low_hz < row[0])
    step = spacing * 1000 // step_hz
    first = start + -int(-(low_hz - offset_hz) // step_hz)
    last = start + int((high_hz - offset_hz) // step_hz)
    # A 15 kHz raster ends where the raster of 30 kHz has no room for half a step: 537999, not 538000.
    if step_hz == 5_000 and spacing < 100:
        last -= 1
    first += (-first) % step if step_hz == 15_000 else 0
    return range(first, last - (last - first) % step + 1, step)


# Channel bandwidth (MHz): N_RB at 15, 30 and 60 kHz (0: not defined), FFT size at 15 kHz scaled below.
_BLOCKS: Mapping[int, tuple[int, int, int]] = MappingProxyType(
    {
        5: (25, 11, 0),
        10: (52, 24, 11),
        15: (79, 38, 18),
        20: (106, 51, 24),
        25: (133, 65, 31),
        30: (160, 78, 38),
        35: (188, 92, 44),
        40: (216, 106, 51),
        45: (242, 119, 58),
        50: (270, 133, 65),
        60: (0, 162, 79),
        70: (0, 189, 93),
        80: (0, 217, 107),
        90: (0, 245, 121),
        100: (0, 273, 135),
    }
)
_SPACINGS = (15_000, 30_000, 60_000)
_SAMPLE_RATE_MSPS: Mapping[int, float] = MappingProxyType(
    {5: 7.68, 10: 15.36, 15: 23.04, 20: 30.72, 25: 30.72, 30: 46.08, 35: 46.08}
    | {40: 61.44, 45: 61.44, 50: 61.44, 60: 92.16, 70: 92.16, 80: 122.88, 90: 122.88, 100: 122.88}
)


def resource_blocks(bandwidth_hz: float, spacing_hz: float) -> int:
    """Return N_RB of Table 5.3.2-1; ``StandardMistake`` for a bandwidth or spacing it does not have."""
    megahertz = check_bandwidth(bandwidth_hz)
    row = _BLOCKS[megahertz]
    if spacing_hz not in _SPACINGS or not row[_SPACINGS.index(round(spacing_hz))]:
        allowed = [f"{each / 1e3:g} kHz" for each, count in zip(_SPACINGS, row, strict=True) if count]
        raise StandardMistake(
            "subcarrier_spacing",
            f"a channel of {megahertz} MHz has no such subcarrier spacing (TS 38.104, Table 5.3.2-1)",
            seen=f"{spacing_hz / 1e3:g} kHz",
            allowed=", ".join(allowed),
        )
    return row[_SPACINGS.index(round(spacing_hz))]


def check_bandwidth(bandwidth_hz: float) -> int:
    """Return a channel bandwidth in MHz; ``StandardMistake`` where TS 38.104 does not define it."""
    megahertz = round(bandwidth_hz / 1e6)
    if abs(bandwidth_hz - megahertz * 1e6) > 0.5 or megahertz not in _BLOCKS:
        nearest = sorted(sorted(_BLOCKS, key=lambda each: abs(each * 1e6 - bandwidth_hz))[:2])
        raise StandardMistake(
            "bandwidth",
            "TS 38.104 defines no channel of this bandwidth",
            seen=_megahertz(bandwidth_hz),
            allowed=", ".join(f"{each}" for each in _BLOCKS) + " MHz",
            next_step=f"the nearest are {nearest[0]} MHz and {nearest[1]} MHz",
        )
    return megahertz


def widest_spacing_hz(bandwidth_hz: float) -> int:
    """Return the subcarrier spacing that fills the channel best (note of the tables of clause 6.6.3.2)."""
    row = _BLOCKS[check_bandwidth(bandwidth_hz)]
    return max(_SPACINGS, key=lambda each: row[_SPACINGS.index(each)] * each)


def transmission_bandwidth_hz(bandwidth_hz: float, spacing_hz: float | None = None) -> float:
    """Return N_RB x 12 x spacing in Hz; of the spacing that is widest if none is given."""
    spacing = widest_spacing_hz(bandwidth_hz) if spacing_hz is None else spacing_hz
    return resource_blocks(bandwidth_hz, spacing) * 12 * float(spacing)


def guard_band_hz(bandwidth_hz: float, spacing_hz: float) -> float:
    """Return the minimum guard band of Table 5.3.3-1: (channel - transmission bandwidth - spacing)/2."""
    return (bandwidth_hz - transmission_bandwidth_hz(bandwidth_hz, spacing_hz) - spacing_hz) / 2


def fft_size(bandwidth_hz: float, spacing_hz: float) -> int:
    """Return the FFT size of Tables B.5.2-1 to B.5.2-3, for which the EVM window is stated."""
    resource_blocks(bandwidth_hz, spacing_hz)
    return round(_SAMPLE_RATE_MSPS[check_bandwidth(bandwidth_hz)] * 1e6 / spacing_hz)


def _megahertz(frequency_hz: float) -> str:
    return f"{frequency_hz / 1e6:.10g} MHz"
