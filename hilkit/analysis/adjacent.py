"""Power in the channels beside a carrier, through the filter that each of them is received with.

What a neighbour receives is counted in its transmission bandwidth configuration, not in the whole channel: of
a 100 MHz NR carrier 98.28 MHz (3GPP TS 38.104, clause 6.6.3.2, table 6.6.3.2-1, and TS 36.104, clause
6.6.2.1, table 6.6.2.1-1: "square (BWConfig)"). A 3.84 Mcps receiver has a root-raised-cosine filter with
roll-off 0.22 (TS 25.104, clause 6.8.1).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hilkit.analysis.power import BandPower, band_power, points_between, weighted_power
from hilkit.readings import Trace

__all__ = ["CHIP_RATE_HZ", "ROLL_OFF", "Neighbour", "channel_beside", "neighbours", "rrc_power_response"]

CHIP_RATE_HZ = 3.84e6
ROLL_OFF = 0.22

_E_UTRA_CHANNEL_HZ = 5e6
_E_UTRA_WIDTH_HZ = 4.5e6


@dataclass(frozen=True, kw_only=True)
class Neighbour:
    """A channel ``offset_hz`` from the carrier, received in ``width_hz``: a square filter, or with ``rrc`` a
    root-raised-cosine one of that symbol rate."""

    offset_hz: float
    width_hz: float
    rrc: bool = False

    @property
    def reach_hz(self) -> float:
        """How far from its centre it receives."""
        return self.width_hz / 2 * (1 + ROLL_OFF if self.rrc else 1.0)


def neighbours(kind: str, *, bandwidth_hz: float, configuration_hz: float) -> tuple[Neighbour, Neighbour]:
    """Return the first and the second channel above a carrier of channel bandwidth ``bandwidth_hz``.

    ``kind``: ``nr`` is the same kind of carrier again, received in ``configuration_hz``, one and two channels
    away (also for an E-UTRA carrier beside one of the same bandwidth); ``e_utra_5`` one of 5 MHz received in
    4.5 MHz, ``rrc_3_84`` one of 3.84 Mcps, both at half the channel plus 2.5 and 7.5 MHz. ``ValueError`` for
    any other. Source: see above.
    """
    if kind == "nr":
        offsets, width_hz = (bandwidth_hz, 2 * bandwidth_hz), configuration_hz
    elif kind in ("e_utra_5", "rrc_3_84"):
        first_hz = (bandwidth_hz + _E_UTRA_CHANNEL_HZ) / 2
        offsets = first_hz, first_hz + _E_UTRA_CHANNEL_HZ
        width_hz = _E_UTRA_WIDTH_HZ if kind == "e_utra_5" else CHIP_RATE_HZ
    else:
        raise ValueError(f"{kind!r} is no kind of adjacent channel; nr, e_utra_5 and rrc_3_84 are")
    first, second = (
        Neighbour(offset_hz=offset, width_hz=width_hz, rrc=kind == "rrc_3_84") for offset in offsets
    )
    return first, second


def rrc_power_response(
    offset_hz: ArrayLike, *, symbol_rate_hz: float = CHIP_RATE_HZ, roll_off: float = ROLL_OFF
) -> NDArray[np.float64]:
    """Return |H|^2 (0..1, shape of ``offset_hz``) of a root-raised-cosine filter: a raised cosine.

    Its integral, the noise bandwidth, is the symbol rate whatever the roll-off.
    """
    distance = np.abs(np.asarray(offset_hz, dtype=float)) / symbol_rate_hz
    turn = np.clip((distance - (1 - roll_off) / 2) / roll_off, 0.0, 1.0)
    return np.asarray((1 + np.cos(np.pi * turn)) / 2, dtype=float)


def channel_beside(
    trace: Trace,
    *,
    centre_hz: float,
    neighbour: Neighbour,
    correction_db: ArrayLike = 0.0,
    floor: Trace | None = None,
) -> BandPower:
    """Return the power that a receiver at ``centre_hz`` takes out of ``trace``; errors as of
    ``band_power``."""
    low_hz, high_hz = centre_hz - neighbour.reach_hz, centre_hz + neighbour.reach_hz
    if not neighbour.rrc:
        return band_power(trace, low_hz=low_hz, high_hz=high_hz, correction_db=correction_db, floor=floor)
    inside = points_between(trace, low_hz, high_hz)
    weights = rrc_power_response(trace.frequency_hz[inside] - centre_hz, symbol_rate_hz=neighbour.width_hz)
    return weighted_power(
        trace, inside, weights, bandwidth_hz=neighbour.width_hz, correction_db=correction_db, floor=floor
    )
