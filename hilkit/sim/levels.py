"""The highest level that each point of a simulated bench has seen, as a peak-holding probe would show it.

The probe looks whenever something changes: a radio channel, a generator, a pad, a relay, a cable; at a
channel also for when its attenuator has settled. From then on levels only sink, as the amplifier warms up.
Power runs forward through the true elements, each point ended by what matches it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from hilkit.clock import Clock
from hilkit.sim.amplifier import watts
from hilkit.sim.radio import SimRadio
from hilkit.sim.substitution import Connections, Feed, SimGenerator
from hilkit.sim.transmitter import Transmission, period, record
from hilkit.sim.wiring import Wiring

__all__ = ["LevelLog", "Seen"]

CYCLE = np.exp(2j * np.pi * np.arange(64) / 64)
"""One cycle of a tone of full scale."""

AFTER_S = 1e-6
"""Time in s after which something that has settled is looked at."""

STANDS_S = 1.0
"""Time in s over which the peaks of a modulated stream are counted: how long a state stands, roughly."""


@dataclass(frozen=True, kw_only=True)
class Seen:
    """The highest average and the highest peak level in dBm; minus infinity where nothing was ever sent."""

    average_dbm: float = -math.inf
    peak_dbm: float = -math.inf

    def with_more(self, average_w: float, peak_w: float) -> Seen:
        """Return the higher of what was seen and what is there now."""
        return Seen(
            average_dbm=max(self.average_dbm, _dbm(average_w)), peak_dbm=max(self.peak_dbm, _dbm(peak_w))
        )


class LevelLog:
    """Holds the highest level behind each element of each path, and at each sensor."""

    def __init__(
        self,
        radio: SimRadio,
        wiring: Wiring,
        connections: Connections,
        generators: Mapping[str, SimGenerator],
        meters: Sequence[str],
        clock: Clock,
    ) -> None:
        self._radio, self._wiring, self._connections = radio, wiring, connections
        self._generators, self._clock = generators, clock
        self._seen = {
            path: [Seen() for _ in range(branch.count + 1)] for path, branch in wiring.branches.items()
        }
        self._sensors = dict.fromkeys(meters, Seen())
        self._sent: dict[int, tuple[Transmission, tuple[float, float]]] = {}

    def along(self, path: str) -> tuple[Seen, ...]:
        """Return what was seen along a path: at the port, then behind each element, the analyser last."""
        return tuple(self._seen[path])

    def at_sensor(self, meter: str) -> Seen:
        """Return what was seen at the sensor of a power meter."""
        return self._sensors[meter]

    def look(self) -> None:
        """Take down what is everywhere now."""
        for path, seen in self._seen.items():
            if self._connections.meter_at(f"{path} port"):
                continue
            for feed in self._connections.feeds_of(f"{path} port"):
                powers = self._sent_w(feed)
                if powers is None:
                    continue
                frequency_hz, average_w, peak_w = powers
                for place, gain in enumerate(self._wiring.gains(path, frequency_hz)):
                    seen[place] = seen[place].with_more(average_w * gain, peak_w * gain)
        for meter in self._sensors:
            self._look_at_sensor(meter)

    def _look_at_sensor(self, meter: str) -> None:
        plane = self._connections.plane_of(meter)
        for feed in self._connections.feeds_of(plane) if plane else ():
            powers = self._sent_w(feed)
            if powers is None:
                continue
            frequency_hz, average_w, peak_w = powers
            gain = self._wiring.gains(feed.path, frequency_hz)[-1] if feed.path else 1.0
            self._sensors[meter] = self._sensors[meter].with_more(average_w * gain, peak_w * gain)

    def _sent_w(self, feed: Feed) -> tuple[float, float, float] | None:
        """Return frequency in Hz, average and peak power in W of what a source sends, if anything."""
        if feed.generator:
            source = self._generators[feed.generator]
            if not source.output.on:
                return None
            power = watts(source.true_level_dbm())
            return source.true_frequency_hz(), power, power
        channel = self._radio.channels[feed.channel]
        if not (channel.rf_on and channel.stream.running):
            return None
        now = self._clock.now()
        at_once = self._channel_w(feed.channel, now)
        settled = self._channel_w(feed.channel, now + channel.profile.attenuator.glitch_time.s + AFTER_S)
        return settled[0], max(at_once[1], settled[1]), max(at_once[2], settled[2])

    def _channel_w(self, number: int, at_s: float) -> tuple[float, float, float]:
        sent = self._radio.transmission(number, at_s)
        last = self._sent.get(number)
        if last is None or last[0] is not sent:
            last = self._sent[number] = (sent, _powers_w(sent))
        return sent.carrier_hz + sent.offset_hz, *last[1]


def _powers_w(sent: Transmission) -> tuple[float, float]:
    """Return average and peak power in W at the port.

    A modulated stream looks like Gaussian noise: of n independent samples the highest has ln n times the mean
    power (mean of the largest of n exponential variables, for large n), unless the converter clips it at full
    scale before.
    """
    if not sent.occupied_hz:
        powers = np.abs(record(sent, period(sent))) ** 2
        return float(powers.mean()), float(powers.max())
    average = float(np.mean(np.abs(record(sent, sent.drive * CYCLE)) ** 2))
    crest = math.sqrt(max(1.0, math.log(sent.occupied_hz * STANDS_S)))
    highest = np.abs(record(sent, min(1.0, sent.drive * crest) * CYCLE)) ** 2
    return average, float(highest.max())


def _dbm(power_w: float) -> float:
    return 10 * math.log10(power_w) + 30 if power_w > 0 else -math.inf
