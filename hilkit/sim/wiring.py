"""What lies between sources and loads on a bench, and what it makes of the signals."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hilkit.sim.amplifier import watts
from hilkit.sim.frontend import Arrival, Comb, Skirt
from hilkit.sim.path import Branch, reflection
from hilkit.sim.path import transfer as wave_transfer
from hilkit.sim.profile import Profile
from hilkit.sim.profile_radio import SpuriousProfile, SynthesiserProfile
from hilkit.sim.radio import SimRadio
from hilkit.sim.substitution import Feed, SimGenerator, joined
from hilkit.sim.switchgear import SimPad, SimRelay
from hilkit.sim.transmitter import Band, Transmission, band, spectrum

__all__ = ["Ends", "Wiring"]

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]
Ends = tuple[str, complex, complex]
"""A path, "" for none, and the reflections of what is in front of it and behind it."""

BAND_PATH_POINTS = 33


class Wiring:
    """The paths of a bench as they stand, with the sources in front of them."""

    def __init__(
        self,
        profile: Profile,
        radio: SimRadio,
        generators: Mapping[str, SimGenerator],
        pads: Mapping[str, SimPad],
        relays: Mapping[str, SimRelay],
    ) -> None:
        self._file, self._radio = profile.file, radio
        self._generators, self._pads, self._relays = generators, pads, relays
        self.branches = {
            name: Branch(path.elements, profile.folder) for name, path in self._file.paths.items()
        }
        self._gains: dict[tuple[object, ...], tuple[float, ...]] = {}
        self._transfers: dict[tuple[object, ...], Complex] = {}
        self._skirts = {
            number: loop_skirt(channel.profile.synthesiser) for number, channel in radio.channels.items()
        }

    def arrive(
        self,
        feeds: Iterable[Feed],
        now: float,
        centre_hz: float,
        *,
        load: complex,
        share: Floats | None = None,
    ) -> Arrival:
        """What all feeds together send into a load."""
        combs: list[Comb] = []
        bands: list[Band] = []
        floor = 0.0
        sent = {number: self._radio.transmission(number, now) for number in self._radio.channels}
        for feed in feeds:
            if feed.generator:
                combs.append(self._generator_comb(feed, now, load))
                continue
            if feed.path and feed.channel in self._radio.loose:
                continue
            ends = (feed.path, self.radio_reflection(feed.channel), load)
            for number, transmission in sent.items():
                channel = self._radio.channels[number].profile
                loss_db = 0.0 if number == feed.channel else channel.crosstalk.db
                combs.append(self._comb(ends, transmission, loss_db, self._skirts[number]))
                combs += self._spurious_combs(ends, channel.spurious if transmission.rf_on else (), loss_db)
                stream = band(transmission)
                if stream is not None:
                    bands.append(self._band(ends, stream, loss_db))
            density = self._radio.channels[feed.channel].profile.amplifier.noise_density.dbm_per_hz
            floor += watts(density) * abs(self.transfer(np.array([centre_hz]), *ends)[0]) ** 2
        return Arrival(combs=tuple(combs), bands=tuple(bands), floor_w_per_hz=floor, share=share)

    def _generator_comb(self, feed: Feed, now: float, load: complex) -> Comb:
        source = self._generators[feed.generator]
        frequency = np.array([source.true_frequency_hz()])
        through = self.transfer(frequency, feed.path, source.reflection, load)
        return source.comb(now, complex(through[0]))

    def _comb(self, ends: Ends, transmission: Transmission, loss_db: float, skirt: Skirt) -> Comb:
        orders, lines = spectrum(transmission)
        frequency = np.asarray(transmission.carrier_hz + orders * transmission.offset_hz, dtype=np.float64)
        through = self.transfer(frequency, *ends) * 10 ** (-loss_db / 20)
        return Comb(
            carrier_hz=transmission.carrier_hz,
            offset_hz=transmission.offset_hz,
            orders=orders,
            amplitudes=lines * through,
            skirt=skirt,
        )

    def _spurious_combs(self, ends: Ends, lines: Iterable[SpuriousProfile], loss_db: float) -> Iterator[Comb]:
        for line in lines:
            frequency = np.array([line.frequency.hz])
            through = self.transfer(frequency, *ends) * 10 ** (-loss_db / 20)
            yield Comb(
                carrier_hz=line.frequency.hz,
                offset_hz=0.0,
                orders=np.zeros(1, dtype=np.int64),
                amplitudes=through * np.sqrt(watts(line.level.dbm)),
            )

    def _band(self, ends: Ends, stream: Band, loss_db: float) -> Band:
        edge = stream.offset_hz[-1]
        coarse = np.linspace(-edge, edge, BAND_PATH_POINTS)
        through = self.transfer(stream.carrier_hz + coarse, *ends)
        power = np.abs(through) ** 2 * 10 ** (-loss_db / 10)
        gain = np.interp(stream.offset_hz, coarse, power)
        centre = float(power[BAND_PATH_POINTS // 2])
        linear = stream.linear * gain
        # The third-order spectrum is referred to the connector: power cubed there, coefficient over the
        # path's power.
        return Band(
            carrier_hz=stream.carrier_hz,
            offset_hz=stream.offset_hz,
            linear=linear,
            shape=stream.shape * gain * centre**2,
            third=stream.third / centre,
            power_w=float(linear.sum()) * _step_hz(stream),
        )

    def settled_s(self, path: str) -> float:
        """Return the time at which everything on a path has stopped moving."""
        branch = self.branches[path]
        times = [self._pads[name].settled_at_s for name in branch.pads]
        times += [self._relays[name].settled_at_s for name in branch.relays]
        return max(times, default=-1.0)

    def setting(self, path: str) -> tuple[object, ...]:
        """The state of all that moves on a path."""
        branch = self.branches[path]
        pads = tuple(self._pads[name].read() for name in branch.pads)
        return (*pads, *(self._relays[name].closed for name in branch.relays))

    def transfer(self, frequency_hz: Floats, path: str, source: complex, load: complex) -> Complex:
        """Transfer of a path as it stands, "" for none; kept, because the same lines come again and again."""
        if not path:
            return np.full(len(frequency_hz), joined(source, load), dtype=np.complex128)
        key = (path, self.setting(path), source, load, frequency_hz.tobytes())
        if key not in self._transfers:
            if len(self._transfers) > 512:
                self._transfers.clear()
            self._transfers[key] = wave_transfer(self._network(path, frequency_hz), source, load)
        return self._transfers[key]

    def gains(self, path: str, frequency_hz: float) -> tuple[float, ...]:
        """Return the power gain from the port to behind each element as it stands, 1 for the port itself.

        Every point counts as matched on both sides.
        """
        key = (path, self.setting(path), frequency_hz)
        if key not in self._gains:
            if len(self._gains) > 512:
                self._gains.clear()
            self._gains[key] = self._find_gains(path, np.array([frequency_hz]))
        return self._gains[key]

    def _find_gains(self, path: str, frequency_hz: Floats) -> tuple[float, ...]:
        branch = self.branches[path]
        states = self._states(path, frequency_hz)
        return tuple(
            float(np.abs(branch.network(frequency_hz, first=count, **states)[0, 1, 0]) ** 2)
            for count in range(branch.count + 1)
        )

    def _network(self, path: str, frequency_hz: Floats) -> Complex:
        return self.branches[path].network(frequency_hz, **self._states(path, frequency_hz))

    def _states(self, path: str, frequency_hz: Floats) -> dict[str, Any]:
        branch = self.branches[path]
        return {
            "pad_loss_db": {name: self._pads[name].loss_db(frequency_hz) for name in branch.pads},
            "closed": {name: self._relays[name].closed for name in branch.relays},
        }

    def ends(self, path: str, port: int) -> Ends:
        """A path between a channel of the radio and its analyser."""
        analyser = self._file.paths[path].analyser
        return path, self.radio_reflection(port), self.analyser_reflection(analyser)

    def port_waves_w(self, path: str, channel: int, now: float) -> tuple[float, float]:
        """Return the power in W that a channel sends out of its port, and what of it comes back."""
        seen = self._seen_from_port(path, channel, self._radio.transmission(channel, now).carrier_hz)
        forward = self.sent_w(channel, now) / abs(1 - self.radio_reflection(channel) * seen) ** 2
        return forward, forward * abs(seen) ** 2

    def sent_w(self, channel: int, now: float) -> float:
        """Return the power in W that a channel would send into a load without reflection."""
        transmission = self._radio.transmission(channel, now)
        _, lines = spectrum(transmission)
        stream = band(transmission)
        modulated = float(stream.linear.sum()) * _step_hz(stream) if stream else 0.0
        return float(np.sum(np.abs(lines) ** 2)) + modulated

    def _seen_from_port(self, path: str, channel: int, frequency_hz: float) -> complex:
        """Reflection of what a port leads to; 1 of an open one."""
        if channel in self._radio.loose:
            return 1.0 + 0j
        network = self._network(path, np.array([frequency_hz]))[0]
        load = self.analyser_reflection(self._file.paths[path].analyser)
        return complex(network[0, 0] + network[0, 1] * network[1, 0] * load / (1 - network[1, 1] * load))

    def radio_reflection(self, channel: int) -> complex:
        """Return the reflection of a port of the radio."""
        profile = self._radio.channels[channel].profile
        return reflection(profile.match.db, profile.match_phase.deg)

    def analyser_reflection(self, analyser: str) -> complex:
        """Return the reflection of an analyser's input."""
        profile = self._file.analysers[analyser]
        return reflection(profile.match.db, profile.match_phase.deg)


def _step_hz(stream: Band) -> float:
    return float(stream.offset_hz[1] - stream.offset_hz[0])


def loop_skirt(loop: SynthesiserProfile) -> Skirt:
    """Return the phase noise of a synthesiser."""
    return Skirt(
        near=10 ** (loop.plateau.dbc_per_hz / 10),
        corner_hz=loop.corner.hz,
        far=10 ** (loop.far.dbc_per_hz / 10),
    )
