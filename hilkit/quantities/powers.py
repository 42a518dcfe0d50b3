"""Conversions between the ways to write a power. Levels are relative to 1 mW, voltages are RMS."""

from __future__ import annotations

import math

from hilkit.quantities.errors import QuantityError

__all__ = ["dbm_to_dbuv", "dbm_to_w", "dbuv_to_dbm", "w_to_dbm"]


def dbm_to_w(dbm: float) -> float:
    """Return the power in watts of a level in dBm."""
    try:
        return 1e-3 * math.pow(10.0, dbm / 10.0)
    except OverflowError:
        raise QuantityError("the level is too large for a power in watts", seen=f"{dbm:g} dBm") from None


def w_to_dbm(watt: float) -> float:
    """Return the level in dBm of a power in watts; only a power above zero has one."""
    if not watt > 0 or math.isinf(watt):
        raise QuantityError(
            "only a power above 0 W has a level in dBm", seen=f"{watt:g} W", allowed="a power such as 5 W"
        )
    return 10.0 * math.log10(watt) + 30.0


def dbm_to_dbuv(dbm: float, *, ohm: float = 50.0) -> float:
    """Return the RMS voltage, in dB relative to 1 µV, of a level in dBm across ``ohm``."""
    return dbm + 90.0 + 10.0 * math.log10(_impedance(ohm))


def dbuv_to_dbm(dbuv: float, *, ohm: float = 50.0) -> float:
    """Return the level in dBm of an RMS voltage, in dB relative to 1 µV, across ``ohm``."""
    return dbuv - 90.0 - 10.0 * math.log10(_impedance(ohm))


def _impedance(ohm: float) -> float:
    if not (ohm > 0 and math.isfinite(ohm)):
        raise QuantityError(
            "an impedance is a finite number above 0 ohm", seen=f"{ohm:g} ohm", allowed="such as 50 or 75"
        )
    return ohm
