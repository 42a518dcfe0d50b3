"""Whether RF is off at a port, by the level there and not by what the radio says of its switch.

The analyser tells, through the route as it stands; of a port that it does not see, the detector of forward
power in the radio, where it has one.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from hilkit.errors import HilkitError, LinkError
from hilkit.instruments.hurry import hurried
from hilkit.instruments.sweep import SweepSetup

if TYPE_CHECKING:
    from hilkit.bench import Connected, Path

__all__ = ["PortLevel", "look_at_ports"]

LOOK_S = 0.9
"""Time in seconds that one look may take: the second means have to follow within 2 s."""

RBW_HZ = 1e6
SAFE_MIXER_DBM = -10.0
"""Level at the mixer for which the first look sets its input attenuation; common practice, no source."""

QUIET_DBM = -40.0
"""Level at the input below which the preamplifier may be used."""

NOISE_PEAK_DB = 6.0
"""How far a part of a sweep has to stand above its median to be more than noise of the analyser."""

TEXT = "is RF off?"


@dataclass(frozen=True, kw_only=True)
class PortLevel:
    """What was seen of a port: ``off`` or ``on`` at ``level_dbm``, or ``unseen``, with the reason.

    ``by`` is what told the level.
    """

    seen: Literal["off", "on", "unseen"]
    level_dbm: float = math.nan
    reason: str = ""
    by: str = "the analyser"


def look_at_ports(
    connected: Connected, channels: Collection[int], *, detectors: Collection[int] = ()
) -> dict[int, PortLevel]:
    """Look at the ports of these channels, each at its carrier, or over its bands where nobody knows it.

    Of those in ``detectors`` that the analyser does not see, the radio's own detector is asked. No relay and
    no pad moves. Raises nothing.
    """
    off_dbm = connected.bench.off_level_dbm
    if off_dbm is None:
        return dict.fromkeys(channels, PortLevel(seen="unseen", reason="the bench file gives no off_level"))
    found = {}
    for channel in channels:
        try:
            found[channel] = _Look(connected, channel, off_dbm).taken()
        except _Unseen as unseen:
            found[channel] = PortLevel(seen="unseen", reason=str(unseen))
        except HilkitError as error:
            found[channel] = PortLevel(seen="unseen", reason=error.message)
        except Exception as error:  # a defect here must not end the safe state
            found[channel] = PortLevel(seen="unseen", reason=f"{type(error).__name__}: {error}")
        if found[channel].seen == "unseen" and channel in detectors:
            found[channel] = _by_detector(connected.radio, channel, off_dbm) or found[channel]
    return found


def _by_detector(radio: Any, channel: int, off_dbm: float) -> PortLevel | None:
    """Return what the radio's detector of forward power tells of a port, ``None`` where it tells nothing."""
    try:
        if not radio.dialect.has("forward_level"):
            return None
        with hurried(radio, LOOK_S / 2):
            level_dbm = float(radio.forward_level_dbm(channel))
    except Exception:  # no detector, no answer: what is known stays what it was
        return None
    if not math.isfinite(level_dbm):
        return None
    seen: Literal["off", "on"] = "off" if level_dbm <= off_dbm else "on"
    return PortLevel(seen=seen, level_dbm=level_dbm, by="the detector of the radio")


class _Unseen(Exception):
    """Why the analyser cannot see a port."""


class _Look:
    def __init__(self, connected: Connected, channel: int, off_dbm: float) -> None:
        self.connected, self.channel, self.off_dbm = connected, channel, off_dbm
        self.path: Path = connected.bench.path(channel)

    def taken(self) -> PortLevel:
        self._refuse_other_route()
        pad_db = self._pad_db()
        analyser = self.connected.analyser
        with hurried(analyser, LOOK_S):
            analyser.annotate(TEXT)
            looks = [self._over(analyser, *window, pad_db) for window in self._windows()]
        worst = max(looks, key=lambda look: ("off", "unseen", "on").index(look.seen))
        level_dbm = max(look.level_dbm for look in looks)
        return PortLevel(seen=worst.seen, level_dbm=level_dbm, reason=worst.reason)

    def _refuse_other_route(self) -> None:
        for name, close in self.path.switch_positions.items():
            switch = self.connected.switches.get(name)
            if switch is None:
                raise _Unseen(f"{name} is not open, so the route is not known")
            with hurried(switch, LOOK_S / 2):
                closed = switch.closed()
            if set(closed) != set(close):
                raise _Unseen(f"{name} does not lead it to the analyser")

    def _pad_db(self) -> float:
        name = self.path.pad_instrument
        if name is None:
            return 0.0
        pad = self.connected.pads.get(name)
        if pad is None:
            raise _Unseen(f"{name} is not open, so the loss is not known")
        try:
            with hurried(pad, LOOK_S / 2):
                return float(pad.get())
        except LinkError:
            # Any setting may be in force: the level at the port is taken for the highest that it can be.
            return float(pad.dialect.capabilities["attenuation"].limits.maximum or 0.0) or _unknown(name)

    def _windows(self) -> list[tuple[float, float]]:
        """Return centre and span of each sweep in Hz."""
        radio, channel = self.connected.bench.radio, self.channel
        known = getattr(self.connected.radio, "carriers_hz", {})
        carrier_hz = known.get(channel) if isinstance(known, dict) else None
        if carrier_hz is not None:
            return [(carrier_hz, radio.bandwidth_hz)]
        return [((low + high) / 2, high - low + radio.bandwidth_hz) for low, high in radio.bands_hz]

    def _over(self, analyser: Any, centre_hz: float, span_hz: float, pad_db: float) -> PortLevel:
        loss_db = self._loss_db(centre_hz, span_hz, pad_db)
        highest_dbm = self.connected.bench.radio.max_level_dbm - self._least_loss_db(centre_hz, pad_db)
        level_dbm, peak_db = _level(analyser, centre_hz, span_hz, highest_dbm)
        if level_dbm + loss_db > self.off_dbm and level_dbm < SAFE_MIXER_DBM:
            # Less input attenuation, now that nothing strong is there: the analyser's own noise goes down.
            level_dbm, peak_db = _level(analyser, centre_hz, span_hz, level_dbm)
        at_port = level_dbm + loss_db
        if at_port <= self.off_dbm:
            return PortLevel(seen="off", level_dbm=at_port)
        if peak_db < NOISE_PEAK_DB:
            hidden = f"noise of the analyser hides what is below {at_port:.0f} dBm, pad {pad_db:g} dB"
            return PortLevel(seen="unseen", level_dbm=at_port, reason=hidden)
        return PortLevel(seen="on", level_dbm=at_port)

    def _loss_db(self, centre_hz: float, span_hz: float, pad_db: float) -> float:
        low, high = self.path.coverage_hz
        edges = (centre_hz - span_hz / 2, centre_hz, centre_hz + span_hz / 2)
        return max(self.path.loss_db(min(max(edge, low), high), pad_db=pad_db) for edge in edges)

    def _least_loss_db(self, centre_hz: float, pad_db: float) -> float:
        node = self.path.nodes[-1]
        return self.path.min_loss_to(node, centre_hz, pad_db=pad_db, bandwidth_hz=0.0)


def _unknown(name: str) -> float:
    raise _Unseen(f"{name} does not say how far it attenuates")


def _level(analyser: Any, centre_hz: float, span_hz: float, highest_dbm: float) -> tuple[float, float]:
    """Return the power in the span in dBm, noise included, and how far it stands out of its median in dB."""
    import numpy as np

    limits = analyser.limits()
    rbw_hz = min(max(RBW_HZ, limits.rbw_hz[0]), limits.rbw_hz[1])
    if limits.rbw_values_hz:
        rbw_hz = min(limits.rbw_values_hz, key=lambda each: abs(math.log(each / rbw_hz)))
    points = int(min(max(2 * math.ceil(span_hz / rbw_hz) + 1, limits.points[0]), limits.points[1]))
    step = limits.attenuation_step_db or 1.0
    attenuation_db = step * math.ceil(max(highest_dbm - SAFE_MIXER_DBM, 0.0) / step)
    attenuation_db = min(max(attenuation_db, limits.attenuation_db[0]), limits.attenuation_db[1])
    lowest_dbm, top_dbm = limits.reference_level_dbm
    reference_dbm = min(max(math.ceil(highest_dbm), lowest_dbm), top_dbm)
    analyser.configure(
        SweepSetup(
            centre_hz=centre_hz,
            span_hz=span_hz,
            points=points,
            rbw_hz=rbw_hz,
            attenuation_db=attenuation_db,
            reference_level_dbm=reference_dbm,
            preamplifier=limits.preamplifier and highest_dbm < QUIET_DBM,
        )
    )
    trace = analyser.acquire()
    power = 10 ** (trace.level_dbm / 10)
    total = power.sum() * (span_hz / (points - 1)) / trace.noise_bandwidth_hz
    level_dbm = 10 * math.log10(max(float(total), float(power.max()), 1e-30))
    width = min(5, len(power))
    smooth = np.convolve(power, np.ones(width) / width, mode="valid")
    peak_db = 10 * math.log10(float(smooth.max() / max(np.median(power), 1e-30)))
    return level_dbm, peak_db
