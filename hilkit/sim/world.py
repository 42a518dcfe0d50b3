"""The simulated bench as a whole: radio, paths and analysers wired together on one clock.

What the instruments' front ends need is here (``radio``, ``pads``, ``relays``, ``sweep``), and the truth for
tests: ``truth_envelope``, ``truth_port_lines``, ``path_loss_db`` and the true values of every code. The truth
is computed by running samples through the same chain; it knows nothing of how anybody reads it.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray

from hilkit.clock import Clock
from hilkit.sim.amplifier import watts
from hilkit.sim.frontend import Arrival, Comb, Skirt
from hilkit.sim.path import Branch, reflection, transfer
from hilkit.sim.profile import Profile
from hilkit.sim.profile_radio import SynthesiserProfile
from hilkit.sim.radio import SimRadio
from hilkit.sim.receiver import Receiver, SweepRequest, SweepResult
from hilkit.sim.switchgear import SimPad, SimRelay
from hilkit.sim.transmitter import Band, Transmission, band, record, spectrum

__all__ = ["PortLine", "World"]

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

BAND_PATH_POINTS = 33
SETTLING_DB = 20.0


@dataclass(frozen=True, kw_only=True)
class PortLine:
    """One line at a radio port: its order in the offset of the tone, true frequency, level."""

    order: int
    frequency_hz: float
    level_dbm: float


class World:
    """A simulated bench.

    ``seed`` replaces that of the profile for the noise; all fixed errors stay those of the profile.
    ``lock`` is for front ends that serve several clients at once.
    """

    def __init__(self, profile: Profile, clock: Clock, seed: int | None = None) -> None:
        self.profile = profile
        self.clock = clock
        self.seed = profile.file.seed if seed is None else seed
        file = profile.file
        self.lock = threading.RLock()
        self.radio = SimRadio(file, clock, file.seed)
        self.pads = {
            name: SimPad(name, pad, file.seed, clock, partial(self._hot_level, "pad", name))
            for name, pad in file.pads.items()
        }
        self.relays = {
            name: SimRelay(name, relay, clock, partial(self._hot_level, "relay", name))
            for name, relay in file.relays.items()
        }
        self.receivers = {
            name: Receiver(
                name,
                analyser,
                seed=file.seed,
                noise_seed=self.seed,
                house_error=file.reference.error.value,
            )
            for name, analyser in file.analysers.items()
        }
        self._branches = {name: Branch(path.elements, profile.folder) for name, path in file.paths.items()}
        self._external_since_s: dict[str, float | None] = dict.fromkeys(file.analysers)
        self._transfers: dict[tuple[object, ...], Complex] = {}
        self._arrivals: dict[str, tuple[object, dict[int, Transmission], Arrival]] = {}
        self._skirts = {
            number: _skirt(channel.profile.synthesiser) for number, channel in self.radio.channels.items()
        }
        self.reference_present = dict.fromkeys(file.analysers, file.reference.present)

    # instruments

    def select_reference(self, analyser: str, *, external: bool) -> None:
        """Switch the reference of an analyser; the external one needs time to lock."""
        if not external:
            self._external_since_s[analyser] = None
        elif self._external_since_s[analyser] is None:
            self._external_since_s[analyser] = self.clock.now()

    def reference_locked(self, analyser: str) -> bool:
        """True when the reference in use is good: always for the internal one."""
        since = self._external_since_s[analyser]
        if since is None:
            return True
        lock_s = self.profile.file.analysers[analyser].reference_lock_time.s
        return self.reference_present[analyser] and self.clock.now() >= since + lock_s

    def automatic_sweep_s(self, analyser: str, request: SweepRequest) -> float:
        """Return the sweep time that the analyser couples to span and bandwidth, in s."""
        return self.receivers[analyser].automatic_sweep_s(request)

    def sweep(self, analyser: str, request: SweepRequest, key: tuple[object, ...]) -> SweepResult:
        """Return one acquisition that starts now; the clock is not moved.

        ``key`` (the step's text and the number of the acquisition) alone decides the noise. States that
        change while the sweep runs are taken at its middle.
        """
        receiver = self.receivers[analyser]
        self.select_reference(analyser, external=request.external_reference)
        locked = self.reference_locked(analyser)
        if not locked:
            request = replace(request, external_reference=False)
        sweep_s = request.sweep_time_s or receiver.automatic_sweep_s(request)
        sweeps = max(1, request.averages)
        arrival = self._arrival(analyser, request, sweep_s, sweeps)
        result = receiver.sweep(request, arrival, key)
        return result if locked else replace(result, reference_locked=False)

    def path_for(self, channel: int, analyser: str | None = None) -> str:
        """Return the name of the path that starts at a channel; ``KeyError`` if there is none."""
        for name, path in self.profile.file.paths.items():
            if path.channel == channel and analyser in (None, path.analyser):
                return name
        raise KeyError(f"no path starts at channel {channel}")

    # truth

    def truth_envelope(
        self, channel: int, *, samples: int, at: str = "port", now: float | None = None
    ) -> tuple[Complex, float]:
        """Return a noiseless record of a channel's signal and its sample rate in Hz.

        The envelope is about the carrier, in sqrt(W), at the radio ``port`` or at the ``analyser`` connector.
        For a tone the record holds a whole number of cycles that shares no factor with ``samples``, so that a
        plain FFT shows every line in one bin without any window; there are about 40 samples a cycle.
        """
        transmission = self.radio.transmission(channel, self.clock.now() if now is None else now)
        baseband, rate_hz = _baseband(transmission, samples)
        envelope = record(transmission, baseband)
        if at == "port":
            return envelope, rate_hz
        if at != "analyser":
            raise ValueError(f"at must be 'port' or 'analyser', not {at!r}")
        frequency = np.asarray(
            transmission.carrier_hz + np.fft.fftfreq(samples, 1 / rate_hz), dtype=np.float64
        )
        through = self._transfer(self.path_for(channel), frequency, channel)
        return np.asarray(np.fft.ifft(np.fft.fft(envelope) * through), dtype=np.complex128), rate_hz

    def truth_port_lines(self, channel: int, now: float | None = None) -> list[PortLine]:
        """Return every line that the channel itself sends at its port, strongest first."""
        transmission = self.radio.transmission(channel, self.clock.now() if now is None else now)
        orders, lines = spectrum(transmission)
        found = [
            PortLine(
                order=int(order),
                frequency_hz=transmission.carrier_hz + int(order) * transmission.offset_hz,
                level_dbm=20 * math.log10(max(abs(line), 1e-30)) + 30,
            )
            for order, line in zip(orders, lines, strict=True)
        ]
        return sorted(found, key=lambda line: -line.level_dbm)

    def path_loss_db(self, channel: int, frequency_hz: float, *, path: str | None = None) -> float:
        """Return the true loss from the port to the analyser as everything stands now, mismatch included."""
        name = path or self.path_for(channel)
        through = self._transfer(name, np.array([frequency_hz]), channel)
        return -20 * math.log10(abs(through[0]))

    # inner workings

    def _hot_level(self, kind: str, name: str) -> float:
        """Highest level in dBm that any channel sends into a path with this relay or pad."""
        levels = [-math.inf]
        for path_name, path in self.profile.file.paths.items():
            branch = self._branches[path_name]
            names = branch.pads if kind == "pad" else branch.relays
            if name in names:
                levels.append(self.radio.channels[path.channel].nominal_level_dbm())
        return max(levels)

    def _arrival(self, analyser: str, request: SweepRequest, sweep_s: float, sweeps: int) -> Arrival:
        """What arrives at an analyser; the same object as long as nothing has changed."""
        now = self.clock.now() + sweep_s * sweeps / 2
        sent = {number: self.radio.transmission(number, now) for number in self.radio.channels}
        names = [name for name, path in self.profile.file.paths.items() if path.analyser == analyser]
        share = self._share(request, sweep_s, sweeps, max(map(self._settled_s, names), default=-1.0))
        state = (request.centre_hz, tuple(map(id, sent.values())), tuple(map(self._setting, names)))
        last = self._arrivals.get(analyser)
        if share is None and last is not None and last[0] == state:
            return last[2]
        arrival = self._arrive(names, sent, request.centre_hz, share)
        if share is None:
            # The transmissions are kept with their ids, so that an id cannot come back for another one.
            self._arrivals[analyser] = (state, sent, arrival)
        return arrival

    def _arrive(
        self, names: list[str], sent: dict[int, Transmission], centre_hz: float, share: Floats | None
    ) -> Arrival:
        combs: list[Comb] = []
        bands: list[Band] = []
        floor = 0.0
        for name in names:
            port = self.profile.file.paths[name].channel
            for number, transmission in sent.items():
                channel = self.radio.channels[number].profile
                loss_db = 0.0 if number == port else channel.crosstalk.db
                combs.append(self._comb(name, port, transmission, loss_db, self._skirts[number]))
                stream = band(transmission)
                if stream is not None:
                    bands.append(self._band(name, port, stream, loss_db))
            density = self.radio.channels[port].profile.amplifier.noise_density.dbm_per_hz
            floor += watts(density) * abs(self._transfer(name, np.array([centre_hz]), port)[0]) ** 2
        return Arrival(combs=tuple(combs), bands=tuple(bands), floor_w_per_hz=floor, share=share)

    def _comb(self, path: str, port: int, transmission: Transmission, loss_db: float, skirt: Skirt) -> Comb:
        orders, lines = spectrum(transmission)
        frequency = np.asarray(transmission.carrier_hz + orders * transmission.offset_hz, dtype=np.float64)
        through = self._transfer(path, frequency, port) * 10 ** (-loss_db / 20)
        return Comb(
            carrier_hz=transmission.carrier_hz,
            offset_hz=transmission.offset_hz,
            orders=orders,
            amplitudes=lines * through,
            skirt=skirt,
        )

    def _band(self, path: str, port: int, stream: Band, loss_db: float) -> Band:
        edge = stream.offset_hz[-1]
        coarse = np.linspace(-edge, edge, BAND_PATH_POINTS)
        power = np.abs(self._transfer(path, stream.carrier_hz + coarse, port)) ** 2 * 10 ** (-loss_db / 10)
        gain = np.interp(stream.offset_hz, coarse, power)
        centre = float(power[BAND_PATH_POINTS // 2])
        step = stream.offset_hz[1] - stream.offset_hz[0]
        linear = stream.linear * gain
        # The third-order spectrum is referred to the connector: power cubed there, coefficient over the
        # path's power.
        return Band(
            carrier_hz=stream.carrier_hz,
            offset_hz=stream.offset_hz,
            linear=linear,
            shape=stream.shape * gain * centre**2,
            third=stream.third / centre,
            power_w=float(linear.sum() * step),
        )

    def _share(self, request: SweepRequest, sweep_s: float, sweeps: int, settled_s: float) -> Floats | None:
        start = self.clock.now()
        if settled_s <= start:
            return None
        times = start + sweep_s * np.arange(request.points) / request.points
        first = np.where(times < settled_s, 10 ** (-SETTLING_DB / 10), 1.0)
        return np.asarray((first + sweeps - 1) / sweeps, dtype=np.float64)

    def _settled_s(self, path: str) -> float:
        branch = self._branches[path]
        times = [self.pads[name].settled_at_s for name in branch.pads]
        times += [self.relays[name].settled_at_s for name in branch.relays]
        return max(times, default=-1.0)

    def _setting(self, path: str) -> tuple[object, ...]:
        """The state of all that moves on a path."""
        branch = self._branches[path]
        pads = tuple(self.pads[name].read() for name in branch.pads)
        return (*pads, *(self.relays[name].closed for name in branch.relays))

    def _transfer(self, path: str, frequency_hz: Floats, port: int) -> Complex:
        """Transfer of a path as it stands; kept, because the same lines are swept again and again."""
        key = (path, self._setting(path), frequency_hz.tobytes())
        if key not in self._transfers:
            if len(self._transfers) > 512:
                self._transfers.clear()
            self._transfers[key] = self._compute(path, frequency_hz, port)
        return self._transfers[key]

    def _compute(self, path: str, frequency_hz: Floats, port: int) -> Complex:
        branch = self._branches[path]
        closed = {name: self.relays[name].closed for name in branch.relays}
        network = branch.network(
            frequency_hz,
            pad_loss_db={name: self.pads[name].loss_db(frequency_hz) for name in branch.pads},
            closed=closed,
        )
        source = self.radio.channels[port].profile
        load = self.profile.file.analysers[self.profile.file.paths[path].analyser]
        return transfer(
            network,
            reflection(source.match.db, source.match_phase.deg),
            reflection(load.match.db, load.match_phase.deg),
        )


def _skirt(loop: SynthesiserProfile) -> Skirt:
    return Skirt(
        near=10 ** (loop.plateau.dbc_per_hz / 10),
        corner_hz=loop.corner.hz,
        far=10 ** (loop.far.dbc_per_hz / 10),
    )


def _baseband(transmission: Transmission, samples: int) -> tuple[Complex, float]:
    if transmission.occupied_hz:
        raise ValueError("a modulated stream has no noiseless record; its spectrum is a density")
    if not transmission.drive:
        return np.zeros(samples, dtype=np.complex128), 491.52e6
    cycles = _coprime(round(samples / 40.7), samples)
    turns = np.exp(2j * np.pi * ((np.arange(samples) * cycles) % samples) / samples)
    if transmission.offset_hz < 0:
        turns = turns.conj()
    return transmission.drive * turns, samples * abs(transmission.offset_hz) / cycles


@lru_cache
def _coprime(cycles: int, samples: int) -> int:
    while math.gcd(cycles, samples) != 1:
        cycles += 1
    return cycles
