"""Carriers of older systems: E-UTRA (3GPP TS 36.104 V19.2.0) and 3.84 Mcps W-CDMA (3GPP TS 25.104)."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from hilkit.judgement.standards.source import Source, StandardMistake

__all__ = [
    "CHIP_RATE_HZ",
    "EUTRA_BLOCKS",
    "ROLL_OFF",
    "earfcn_to_hz",
    "eutra_blocks",
    "eutra_fft_size",
    "eutra_transmission_bandwidth_hz",
]

EUTRA_SOURCE = Source(document="3GPP TS 36.104", version="V19.2.0", clause="5.6", table="5.6-1")

CHIP_RATE_HZ = 3.84e6
"""Chip rate of W-CDMA, which is also the noise bandwidth of its RRC filter (TS 25.104, clause 6.8.1)."""
ROLL_OFF = 0.22
"""Roll-off of that filter (TS 25.104, clause 6.8.1)."""

EUTRA_BLOCKS: Mapping[float, int] = MappingProxyType(
    {1.4: 6, 3.0: 15, 5.0: 25, 10.0: 50, 15.0: 75, 20.0: 100}
)
"""Channel bandwidth in MHz to N_RB (TS 36.104, Table 5.6-1)."""
_FFT = {1.4: 128, 3.0: 256, 5.0: 512, 10.0: 1024, 15.0: 1536, 20.0: 2048}
# First and last downlink EARFCN and the frequency of the first, MHz (TS 36.104, clause 5.7.3).
_DOWNLINK = {
    1: (0, 599, 2110.0),
    2: (600, 1199, 1930.0),
    3: (1200, 1949, 1805.0),
    5: (2400, 2649, 869.0),
    7: (2750, 3449, 2620.0),
    8: (3450, 3799, 925.0),
    20: (6150, 6449, 791.0),
    28: (9210, 9659, 758.0),
    38: (37750, 38249, 2570.0),
    40: (38650, 39649, 2300.0),
    41: (39650, 41589, 2496.0),
}


def _key(bandwidth_hz: float) -> float:
    for megahertz in EUTRA_BLOCKS:
        if abs(megahertz * 1e6 - bandwidth_hz) < 0.5:
            return megahertz
    nearest = sorted(sorted(EUTRA_BLOCKS, key=lambda each: abs(each * 1e6 - bandwidth_hz))[:2])
    raise StandardMistake(
        "bandwidth",
        "TS 36.104 defines no channel of this bandwidth",
        seen=f"{bandwidth_hz / 1e6:g} MHz",
        allowed=", ".join(f"{each:g}" for each in EUTRA_BLOCKS) + " MHz",
        next_step=f"the nearest are {nearest[0]:g} MHz and {nearest[1]:g} MHz",
    )


def eutra_blocks(bandwidth_hz: float) -> int:
    """Return N_RB of an E-UTRA channel; ``StandardMistake`` for a bandwidth that is not defined."""
    return EUTRA_BLOCKS[_key(bandwidth_hz)]


def eutra_transmission_bandwidth_hz(bandwidth_hz: float) -> float:
    """Return N_RB x 180 kHz, without the unused subcarrier in the middle."""
    return eutra_blocks(bandwidth_hz) * 180e3


def eutra_fft_size(bandwidth_hz: float) -> int:
    """Return the FFT size of TS 36.104, Table E.5.1-1."""
    return _FFT[_key(bandwidth_hz)]


def earfcn_to_hz(number: int) -> float:
    """Return the downlink frequency of an EARFCN: F_DL_low + 0.1 MHz (N_DL - N_Offs-DL)."""
    for first, last, low_mhz in _DOWNLINK.values():
        if first <= number <= last:
            return (round(low_mhz * 10) + number - first) * 1e5
    raise StandardMistake(
        "earfcn",
        "hilkit knows no E-UTRA band with this downlink EARFCN",
        seen=str(number),
        allowed=", ".join(f"{first} to {last} (band {name})" for name, (first, last, _) in _DOWNLINK.items()),
    )
