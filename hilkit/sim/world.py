"""The simulated bench as a whole: radio, paths and analysers wired together on one clock.

What the instruments' front ends need is here (``radio``, ``pads``, ``relays``, ``sweep``), and the truth for
tests: ``truth_envelope``, ``truth_port_lines``, ``path_loss_db`` and the true values of every code. The truth
is computed by running samples through the same chain; it knows nothing of how anybody reads it.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Hashable
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray

from hilkit.clock import Clock
from hilkit.sim.capture import Captured, CaptureRequest, capture
from hilkit.sim.frontend import Arrival
from hilkit.sim.levels import LevelLog
from hilkit.sim.outputs import SimSupply
from hilkit.sim.profile import Profile
from hilkit.sim.radio import SimRadio
from hilkit.sim.receiver import Receiver, SweepRequest, SweepResult
from hilkit.sim.receiving import Receiving
from hilkit.sim.substitution import Arriving, Connections, Feed, Output, PowerRead, SimGenerator, SimMeter
from hilkit.sim.switchgear import HotMove, SimPad, SimRelay
from hilkit.sim.transmitter import Transmission, record, spectrum
from hilkit.sim.wiring import Wiring

__all__ = ["PortLine", "World"]

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

FLOOR_GRID_HZ = 1e6
"""The radio's flat noise goes through the path as it is at the multiple of this nearest to the centre."""

SETTLING_DB = 20.0

RADIO = "radio"
"""What a supply's output feeds, as its profile has it."""


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
        self.generators = {
            name: SimGenerator(
                name,
                each,
                seed=file.seed,
                clock=clock,
                house_error=file.reference.error.value,
                house_present=file.reference.present,
            )
            for name, each in file.generators.items()
        }
        self.meters = {
            name: SimMeter(name, each, seed=file.seed, noise_seed=self.seed)
            for name, each in file.power_meters.items()
        }
        self.supplies = {
            name: SimSupply(supply, clock, {RADIO: self.radio.power})
            for name, supply in file.supplies.items()
        }
        self.connections = Connections(file)
        self.receiving = Receiving(file, self.radio, self.generators, self.connections, clock, self.seed)
        self.wiring = Wiring(profile, self.radio, self.generators, self.pads, self.relays)
        self.radio.port_waves = self._port_waves_w
        self.radio.loose.update(path.channel for path in file.paths.values() if not path.connected)
        self.levels = LevelLog(
            self.radio, self.wiring, self.connections, self.generators, tuple(self.meters), clock
        )
        self.radio.on_change = self.levels.look
        self._external_since_s: dict[str, float | None] = dict.fromkeys(file.analysers)
        self._arrivals: dict[str, tuple[object, dict[int, Transmission], Arrival]] = {}
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

    def capture(self, analyser: str, request: CaptureRequest, key: tuple[object, ...]) -> Captured:
        """Return an I/Q capture that starts now; ``key`` alone decides its noise."""
        self.select_reference(analyser, external=request.external_reference)
        if not self.reference_locked(analyser):
            request = replace(request, external_reference=False)
        return capture(self, analyser, request, key)

    def arrival(self, analyser: str, request: SweepRequest) -> Arrival:
        """Return what arrives at an analyser over the time of a request that starts now."""
        return self._arrival(analyser, request, request.sweep_time_s or 0.0, 1)

    def connect(self, instrument: str, plane: str) -> None:
        """Do what a person does: put a generator's cable or a meter's sensor on a plane, "" takes it off.

        Planes are ``tx1 port``, ``analyser input`` and ``generator output``, with the names of this bench;
        ValueError for others and for a place that is taken.
        """
        with self.lock:
            self.connections.connect(instrument, plane)
            self.levels.look()

    def drive(self, generator: str, output: Output) -> None:
        """Change the output of a generator."""
        self.generators[generator].set(output)
        self.levels.look()

    def measure_power(
        self,
        meter: str,
        *,
        frequency_hz: float,
        averages: int,
        seconds: float,
        key: tuple[Hashable, ...],
    ) -> PowerRead:
        """Return a reading that starts now and takes ``seconds``; ``key`` alone decides its noise."""
        arriving = self.arriving(meter, self.clock.now() + seconds / 2)
        return self.meters[meter].read(arriving, frequency_hz=frequency_hz, averages=averages, key=key)

    def zero_meter(self, meter: str) -> None:
        """Zero a meter on what arrives at its sensor now."""
        self.meters[meter].zero(self.arriving(meter, self.clock.now()))

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
        through = self.wiring.transfer(frequency, *self.wiring.ends(self.path_for(channel), channel))
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
        through = self.wiring.transfer(np.array([frequency_hz]), *self.wiring.ends(name, channel))
        return -20 * math.log10(abs(through[0]))

    def matched_loss_db(self, path: str, frequency_hz: float) -> float:
        """Return the true loss of a path as it stands between a source and a load without reflection."""
        return -20 * math.log10(abs(self.wiring.transfer(np.array([frequency_hz]), path, 0j, 0j)[0]))

    def arriving(self, meter: str, now: float | None = None) -> Arriving:
        """Return what truly arrives at a sensor: frequency in Hz and power in W of each line and band."""
        now = self.clock.now() if now is None else now
        feeds = self.connections.feeds_of(self.connections.plane_of(meter))
        arrival = self.wiring.arrive(feeds, now, 1e9, load=self.meters[meter].reflection)
        lines = [
            (float(frequency), float(power))
            for comb in arrival.combs
            for frequency, power in zip(
                comb.frequencies_hz(comb.orders), np.abs(comb.amplitudes) ** 2, strict=True
            )
        ]
        return (*lines, *((stream.carrier_hz, stream.power_w) for stream in arrival.bands))

    @property
    def hot_moves(self) -> list[HotMove]:
        """Everything that moved while RF was on: contacts of relays and pads, and the radio's carriers."""
        moves = [move for pad in self.pads.values() for move in pad.hot_moves]
        moves += [move for relay in self.relays.values() for move in relay.hot_moves]
        moves += [move for channel in self.radio.channels.values() for move in channel.hot_moves]
        return sorted(moves, key=lambda move: move.time_s)

    # inner workings

    def _port_waves_w(self, channel: int) -> tuple[float, float]:
        return self.wiring.port_waves_w(self.path_for(channel), channel, self.clock.now())

    def _hot_level(self, kind: str, name: str) -> float:
        """Highest level in dBm that anything sends into a path with this relay or pad."""
        self.levels.look()
        levels = [-math.inf]
        for path_name, branch in self.wiring.branches.items():
            names = branch.pads if kind == "pad" else branch.relays
            if name in names:
                feeds = self.connections.feeds_of(f"{path_name} port")
                levels += [self._sent_level(feed) for feed in feeds]
        return max(levels)

    def _sent_level(self, feed: Feed) -> float:
        if feed.generator:
            return self.generators[feed.generator].level_at(self.clock.now())
        power_w = self.wiring.sent_w(feed.channel, self.clock.now())
        return 10 * math.log10(max(power_w, 1e-30)) + 30

    def _arrival(self, analyser: str, request: SweepRequest, sweep_s: float, sweeps: int) -> Arrival:
        """What arrives at an analyser; the same object as long as nothing has changed."""
        now = self.clock.now() + sweep_s * sweeps / 2
        sent = {number: self.radio.transmission(number, now) for number in self.radio.channels}
        names = [name for name, path in self.profile.file.paths.items() if path.analyser == analyser]
        share = self._share(request, sweep_s, sweeps, max(map(self.wiring.settled_s, names), default=-1.0))
        centre_hz = round(request.centre_hz / FLOOR_GRID_HZ) * FLOOR_GRID_HZ
        sources = tuple(
            (each.output, each.level_at(now))
            for name, each in self.generators.items()
            if self.connections.plane_of(name)
        )
        moved = (
            tuple(map(self.wiring.setting, names)),
            self.connections.state,
            sources,
            frozenset(self.radio.loose),
        )
        state = (centre_hz, tuple(map(id, sent.values())), moved)
        last = self._arrivals.get(analyser)
        if share is None and last is not None and last[0] == state:
            return last[2]
        plane = f"{analyser} input"
        feeds = () if self.connections.meter_at(plane) else self.connections.feeds_of(plane)
        load = self.wiring.analyser_reflection(analyser)
        arrival = self.wiring.arrive(feeds, now, centre_hz, load=load, share=share)
        if share is None:
            # The transmissions are kept with their ids, so that an id cannot come back for another one.
            self._arrivals[analyser] = (state, sent, arrival)
        return arrival

    def _share(self, request: SweepRequest, sweep_s: float, sweeps: int, settled_s: float) -> Floats | None:
        start = self.clock.now()
        if settled_s <= start:
            return None
        times = start + sweep_s * np.arange(request.points) / request.points
        first = np.where(times < settled_s, 10 ** (-SETTLING_DB / 10), 1.0)
        return np.asarray((first + sweeps - 1) / sweeps, dtype=np.float64)


def _baseband(transmission: Transmission, samples: int) -> tuple[Complex, float]:
    if transmission.occupied_hz:
        raise ValueError("a modulated stream has no noiseless record; its spectrum is a density")
    if not transmission.drive:
        return np.zeros(samples, dtype=np.complex128), 491.52e6
    fastest = max(map(abs, transmission.tones))
    cycles = _coprime(max(1, round(samples / (40.7 * fastest))), samples)
    turns = np.exp(2j * np.pi * ((np.arange(samples) * cycles) % samples) / samples)
    if transmission.offset_hz < 0:
        turns = turns.conj()
    tones = sum((turns**each for each in transmission.tones), np.zeros(samples, dtype=np.complex128))
    return transmission.drive * tones, samples * abs(transmission.offset_hz) / cycles


@lru_cache
def _coprime(cycles: int, samples: int) -> int:
    while math.gcd(cycles, samples) != 1:
        cycles += 1
    return cycles
