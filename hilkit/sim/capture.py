"""What an analyser's I/Q capture holds: the stream in time through radio, path and the analyser's own chain.

All that a frame goes through up to the converter is either without memory or a filter, so that one frame of
10 ms is made and repeated: exactly, since both work on the whole circle. Noise and phase noise are drawn anew
for each capture. The converter runs on the analyser's reference without an error of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hilkit.sim.amplifier import amplify, watts
from hilkit.sim.frontend import Skirt
from hilkit.sim.noise import generator, white
from hilkit.sim.receiver import Receiver, SweepRequest
from hilkit.sim.transmitter import Transmission, record
from hilkit.sim.waveform import FRAME_S, frame
from hilkit.sim.wiring import loop_skirt

if TYPE_CHECKING:
    from hilkit.sim.world import World

__all__ = ["CaptureRequest", "Captured", "capture"]

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

PATH_POINTS = 2049
BINS_HZ = 1 / FRAME_S

Through = tuple[str, complex, complex, float]
"""A path, the reflections at its ends, and a loss in dB besides."""


@dataclass(frozen=True, kw_only=True)
class CaptureRequest:
    """Settings of one capture; ``rate_hz`` a multiple of 100 Hz. ``from_frame``: it begins with a frame."""

    centre_hz: float
    rate_hz: float
    count: int
    attenuation_db: float = 10.0
    preamplifier: bool = False
    reference_level_dbm: float = 0.0
    external_reference: bool = False
    from_frame: bool = False

    def as_sweep(self) -> SweepRequest:
        """Return the state of the analyser's level axis as that of a sweep."""
        return SweepRequest(
            centre_hz=self.centre_hz,
            span_hz=self.rate_hz,
            points=self.count,
            rbw_hz=self.rate_hz,
            sweep_time_s=self.count / self.rate_hz,
            attenuation_db=self.attenuation_db,
            preamplifier=self.preamplifier,
            reference_level_dbm=self.reference_level_dbm,
            external_reference=self.external_reference,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Captured:
    """Samples in sqrt(W) referred to the connector, and whether something was overloaded."""

    samples: Complex
    overload: bool


def capture(world: World, analyser: str, request: CaptureRequest, key: tuple[object, ...]) -> Captured:
    """Return a capture that starts now; ``key`` alone decides noise, phase noise and the first sample."""
    receiver = world.receivers[analyser]
    sweep = request.as_sweep()
    draw = generator(world.seed, analyser, "capture", key)
    centre_hz = request.centre_hz * (1 + receiver.reference_error(sweep))
    turn = np.arange(request.count) / request.rate_hz
    start = 0 if request.from_frame else int(draw.integers(round(FRAME_S * request.rate_hz)))
    total = np.zeros(request.count, dtype=np.complex128)
    mixer_w = 0.0
    for number, transmission, through in _arriving(world, analyser):
        if transmission.occupied_hz and transmission.drive:
            made, power_w = _frame(world, number, transmission, through, receiver, request, centre_hz)
            shifted_hz = transmission.carrier_hz - centre_hz
            whole = made[(start + np.arange(request.count)) % len(made)]
            rest_hz = shifted_hz - round(shifted_hz / BINS_HZ) * BINS_HZ
            whole = whole * np.exp(2j * np.pi * rest_hz * turn)
            skirt = loop_skirt(world.radio.channels[number].profile.synthesiser)
            total += whole * np.exp(1j * _phase(skirt, request, draw))
            mixer_w += power_w
    total *= np.exp(1j * _phase(receiver.skirt, request, draw))
    arrival = world.arrival(analyser, sweep)
    density = receiver.noise_density_w(sweep) + arrival.floor_w_per_hz
    total += white(draw, request.count) * math.sqrt(density * request.rate_hz)
    for comb in arrival.combs:
        if any(comb.carrier_hz == band.carrier_hz for band in arrival.bands):
            continue  # in the frame already
        for hz, amplitude in zip(comb.frequencies_hz(comb.orders), comb.amplitudes, strict=True):
            if abs(hz - centre_hz) < request.rate_hz / 2:
                total += amplitude * np.exp(2j * np.pi * (hz - centre_hz) * turn)
    ceiling = math.sqrt(watts(request.reference_level_dbm + receiver.profile.headroom.db))
    over = np.abs(total) > ceiling
    if over.any():
        total[over] *= ceiling / np.abs(total[over])
    total *= 10 ** (receiver.level_error_db(sweep) / 20)
    hot = mixer_w > watts(receiver.profile.mixer_overload.dbm)
    return Captured(samples=total, overload=bool(over.any() or hot))


def _arriving(world: World, analyser: str) -> Iterator[tuple[int, Transmission, Through]]:
    """Each channel behind each path that leads here: its state, and path, reflections and loss in dB."""
    now = world.clock.now()
    load = world.wiring.analyser_reflection(analyser)
    plane = f"{analyser} input"
    if world.connections.meter_at(plane):
        return
    for feed in world.connections.feeds_of(plane):
        if feed.generator or (feed.path and feed.channel in world.radio.loose):
            continue
        for number in world.radio.channels:
            beside = world.radio.channels[number].profile.crosstalk.db
            loss_db = 0.0 if number == feed.channel else beside
            source = world.wiring.radio_reflection(feed.channel)
            yield number, world.radio.transmission(number, now), (feed.path, source, load, loss_db)


def _frame(
    world: World,
    number: int,
    transmission: Transmission,
    through: Through,
    receiver: Receiver,
    request: CaptureRequest,
    centre_hz: float,
) -> tuple[Complex, float]:
    """One frame at the capture's rate in sqrt(W) at the connector, and its power at the mixer in W."""
    channel = world.radio.channels[number]
    stream, rate_hz = frame(world.profile.file.radio.waveforms[channel.stream.name])
    if channel.profile.inverted:
        stream = stream.conj()
    port = record(transmission, transmission.drive * stream)
    path, source, load, loss_db = through
    coarse = np.linspace(-rate_hz / 2, rate_hz / 2, PATH_POINTS)
    gain = world.wiring.transfer(transmission.carrier_hz + coarse, path, source, load)
    bins = np.fft.fftfreq(len(port), 1 / rate_hz)
    there = np.interp(bins, coarse, gain.real) + 1j * np.interp(bins, coarse, gain.imag)
    arrived = np.fft.ifft(np.fft.fft(port) * there) * 10 ** (-loss_db / 20)
    root = math.sqrt(receiver.front.gain(request.attenuation_db, request.preamplifier))
    mixed = np.asarray(arrived * root, dtype=np.complex128)
    power_w = float(np.mean(np.abs(mixed) ** 2))
    bent = np.fft.fft(amplify(mixed, receiver.front.mixer) / root, norm="forward")
    shift = round((transmission.carrier_hz - centre_hz) / BINS_HZ)
    count = round(FRAME_S * request.rate_hz)
    wanted = np.fft.fftfreq(count, 1 / count).astype(np.int64)
    asked = wanted - shift
    held = (asked >= -(len(bent) // 2)) & (asked < len(bent) // 2)
    kept = np.where(held, bent[asked % len(bent)], 0)
    return np.asarray(np.fft.ifft(kept, norm="forward"), dtype=np.complex128), power_w


def _phase(skirt: Skirt, request: CaptureRequest, draw: np.random.Generator) -> Floats:
    """Phase in radians over the capture, whose two-sided density is that of the skirt."""
    frequency = np.fft.rfftfreq(request.count, 1 / request.rate_hz)
    density = skirt.density(np.square(frequency))
    shaped = np.fft.rfft(draw.standard_normal(request.count)) * np.sqrt(density * request.rate_hz)
    shaped[0] = 0
    return np.asarray(np.fft.irfft(shaped, request.count), dtype=np.float64)
