"""The receive side of a simulated bench: which sources lead to which receive port, and what arrives there."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from hilkit.clock import Clock
from hilkit.quantities import Ratio
from hilkit.sim.amplifier import watts
from hilkit.sim.path import over_frequency, reflection
from hilkit.sim.profile import ProfileFile
from hilkit.sim.profile_parts import Table
from hilkit.sim.radio import SimRadio
from hilkit.sim.reception import AtPort, Complex, SimReceiver, source_temperature_k
from hilkit.sim.substitution import Connections, SimGenerator, joined

__all__ = ["Receiving", "SimNoiseSource"]


class SimNoiseSource:
    """A noise source with its supply on or off."""

    def __init__(self) -> None:
        self.on = False


class Receiving:
    """Receivers by channel, with what leads to their ports. ``step_text`` says what the client works at."""

    def __init__(
        self,
        file: ProfileFile,
        radio: SimRadio,
        generators: Mapping[str, SimGenerator],
        connections: Connections,
        clock: Clock,
        seed: int,
    ) -> None:
        self._file, self._radio, self._clock = file, radio, clock
        self._generators, self._connections = generators, connections
        self.noise_sources = {name: SimNoiseSource() for name in file.noise_sources}
        self.receivers = {
            int(number): SimReceiver(
                f"receiver {number}",
                channel.receiver,
                noise_seed=seed,
                carrier_hz=file.radio.bands[0].low.hz,
            )
            for number, channel in file.radio.channels.items()
            if channel.receiver is not None
        }
        self.step_text: Callable[[], str] = str
        self._heard: dict[int, tuple[str, int]] = {}
        radio.receive_words.attach(self)

    def hear(self, channel: int, count: int) -> Complex:
        """Return samples of a receiver, from -32767 to 32767 in I and Q."""
        error = self._radio.reference_error(self._clock.now())
        receiver = self.receivers[channel]
        return receiver.hear(self.at_port(channel), count, clock_error=error, key=self._key(channel))

    def passed(self, channel: int, count: int) -> int:
        """Return how many frames of so many a receiver decodes."""
        return self.receivers[channel].passed(self.at_port(channel), count, key=self._key(channel))

    def _key(self, channel: int) -> tuple[str, int]:
        text, number = self._heard.get(channel, ("", 0))
        now = self.step_text()
        self._heard[channel] = key = (now, number + 1 if text == now else 1)
        return key

    def at_port(self, channel: int) -> AtPort:
        """Return what truly arrives at a receive port now."""
        receiver = self.receivers[channel]
        ambient = self._file.ambient.celsius
        lines: list[tuple[float, float]] = []
        temperature = room = ambient + 273.15
        for path in self._file.receive.values():
            if path.channel != channel:
                continue
            for name, loss in path.inputs.items():
                if name in self._generators and not self._connections.plane_of(name):
                    lines.append(self._line(name, loss, receiver))
                elif name in self.noise_sources:
                    hz = receiver.carrier_hz
                    enr_db = _at_db(self._file.noise_sources[name].enr, hz)
                    hot = source_temperature_k(enr_db, ambient, on=self.noise_sources[name].on)
                    temperature += (hot - room) * self._share(name, loss, receiver, hz)
        return AtPort(lines=lines, temperature_k=temperature)

    def _line(self, name: str, loss: Ratio | Table, receiver: SimReceiver) -> tuple[float, float]:
        source = self._generators[name]
        hz = source.true_frequency_hz()
        return hz, watts(source.level_at(self._clock.now())) * self._share(name, loss, receiver, hz)

    def _share(self, name: str, loss: Ratio | Table, receiver: SimReceiver, hz: float) -> float:
        """Share of what a source sends into a match that the receiver takes up."""
        profile = self._file.generators.get(name) or self._file.noise_sources[name]
        lost_db = _at_db(loss, hz)
        its = reflection(profile.match.db, profile.match_phase.deg) * 10 ** (-lost_db / 10)
        load = reflection(receiver.profile.match.db, receiver.profile.match_phase.deg)
        return float(10 ** (-lost_db / 10) * abs(joined(its, load)) ** 2)


def _at_db(loss: Ratio | Table, hz: float) -> float:
    return float(over_frequency(loss, np.array([hz]))[0])
