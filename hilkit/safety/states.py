"""An RF state as the gate sees it, before anything is sent."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["RfState"]


@dataclass(frozen=True, kw_only=True)
class RfState:
    """What one transmit channel is asked to do.

    ``drive_dbfs`` is the level of the stream in the radio (0 dBFS is a full-scale sine). ``pad_db`` is the
    nominal setting of the step attenuator in the path of this channel, if the path has one.
    ``tone_offset_hz`` is the offset of a CW tone from the carrier (the LO); ``waveform`` names a modulated
    stream instead; with neither, nothing streams. ``second_offset_hz`` adds a second tone, each of the two
    at ``drive_dbfs``.
    """

    channel: int
    carrier_hz: float
    attenuation_db: float
    drive_dbfs: float = 0.0
    tone_offset_hz: float | None = None
    second_offset_hz: float | None = None
    waveform: str | None = None
    pad_db: float = 0.0
    rf_on: bool = True
