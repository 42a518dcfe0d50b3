"""An I/Q capture of a signal analyser: complex samples around a centre frequency."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.errors import RefusedError, ReplyError
from hilkit.instruments.analyser import SignalAnalyser

__all__ = ["IqCapture", "capture_iq"]

OHM = 50.0
MOST_V = 100.0
"""Highest voltage that a capture can hold: 53 dBm. A byte order that is not the one told gives far more."""

NEEDED = ("iq_rate", "iq_length", "iq_start", "iq_data")


@dataclass(frozen=True, kw_only=True, eq=False)
class IqCapture:
    """Samples in V (RMS of the envelope) across 50 ohm, shape (n,), and how they were taken."""

    samples: NDArray[np.complex128]
    rate_hz: float
    centre_hz: float
    attenuation_db: float
    reference_level_dbm: float

    @property
    def level_dbm(self) -> float:
        """Mean power of all samples; -inf for silence."""
        mean_w = float(np.mean(np.abs(self.samples) ** 2)) / OHM
        return 10 * math.log10(mean_w) + 30 if mean_w > 0 else -math.inf


def capture_iq(
    analyser: SignalAnalyser,
    *,
    centre_hz: float,
    rate_hz: float,
    count: int,
    attenuation_db: float,
    reference_level_dbm: float,
) -> IqCapture:
    """Capture ``count`` complex samples at ``rate_hz`` with a level axis set and verified.

    RefusedError where the analyser cannot, or does not take a setting; LinkError where it does not complete;
    ReplyError for a block of another length, or of values that no input can have: another byte order.
    """
    if missing := [name for name in NEEDED if not analyser.has(name)]:
        raise RefusedError(
            f"it cannot capture I/Q samples: its driver file lacks {', '.join(missing)}",
            instrument=analyser.name,
            next_step="add them to its driver file, or leave the measurement out",
        )
    wanted = {
        "centre": centre_hz,
        "attenuation_auto": False,
        "attenuation": attenuation_db,
        "reference_level": reference_level_dbm,
        "iq_rate": rate_hz,
        "iq_length": count,
    }
    # In the dialect's order: writing one may disturb another.
    names = [name for name in (*analyser.dialect.order, *wanted) if name in wanted and analyser.has(name)]
    back = analyser.apply({name: wanted[name] for name in dict.fromkeys(names)})
    values = analyser.captured(count=int(back["iq_length"]), seconds=count / float(back["iq_rate"]))
    highest = float(np.max(np.abs(values), initial=0.0))
    if not highest < MOST_V:
        raise ReplyError(
            f"the I/Q block holds {highest:.3g} V, which no input can have",
            instrument=analyser.name,
            next_step="check byte_order and format of trace: in the driver file",
        )
    return IqCapture(
        samples=np.asarray(values[0::2] + 1j * values[1::2], dtype=np.complex128),
        rate_hz=float(back["iq_rate"]),
        centre_hz=float(back["centre"]),
        attenuation_db=float(back["attenuation"]),
        reference_level_dbm=float(back["reference_level"]),
    )
