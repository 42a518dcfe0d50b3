"""A swept signal analyser: from what arrives at its connector to the levels on its screen.

Lines and densities go through the analyser's own third and second order, the resolution filter, the detector
and the averaging, with the statistics of Gaussian noise behind the filter, and come out with the errors that
the profile gives.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hilkit.sim.amplifier import watts
from hilkit.sim.detector import Dwell, detect
from hilkit.sim.filters import Filter, resolution_filter, sweep_loss
from hilkit.sim.frontend import Arrival, FrontEnd, Lines, Skirt
from hilkit.sim.noise import fixed_error, generator
from hilkit.sim.profile import AnalyserProfile

__all__ = ["Receiver", "SweepRequest", "SweepResult"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class SweepRequest:
    """The settings of one acquisition; ``vbw_hz`` and ``sweep_time_s`` may be ``None``: wide open, automatic.

    ``averages`` counts sweeps; the average type ``none`` takes the last sweep of them alone.
    """

    centre_hz: float
    span_hz: float
    points: int
    rbw_hz: float
    vbw_hz: float | None = None
    detector: Literal["rms", "sample", "peak", "negative"] = "rms"
    average_type: Literal["power", "log", "voltage", "none"] = "power"
    averages: int = 1
    sweep_time_s: float | None = None
    attenuation_db: float = 10.0
    preamplifier: bool = False
    reference_level_dbm: float = 0.0
    external_reference: bool = False


@dataclass(frozen=True, kw_only=True)
class SweepResult:
    """One acquisition: levels in dBm, and what the status registers say of it."""

    level_dbm: Floats
    overload: bool
    uncalibrated: bool
    reference_locked: bool
    mixer_overload: bool = False
    if_overload: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class _Steady:
    """What does not change from one acquisition to the next: power of lines and of noise behind the filter,
    in W.
    """

    signal_w: Floats
    noise_w: Floats
    gain: float
    dwell: Dwell
    mixer_w: float
    uncalibrated: bool


class Receiver:
    """One analyser: its fixed errors belong to ``seed``, its noise to ``noise_seed`` and each sweep's key."""

    def __init__(
        self, name: str, profile: AnalyserProfile, *, seed: int, noise_seed: int, house_error: float
    ) -> None:
        self.name = name
        self.profile = profile
        self._seed = seed
        self._noise_seed = noise_seed
        self._house_error = house_error
        self.front = FrontEnd(profile)
        own = profile.phase_noise
        self.skirt = Skirt(
            near=10 ** (own.density.dbc_per_hz / 10),
            corner_hz=own.corner.hz,
            far=10 ** (own.far.dbc_per_hz / 10),
        )
        self._last: tuple[SweepRequest, Arrival, _Steady] | None = None
        self._set: tuple[SweepRequest, tuple[object, ...]] | None = None

    def automatic_sweep_s(self, request: SweepRequest) -> float:
        """Return the shortest sweep time at which the analyser calls itself calibrated, at least 1 ms."""
        narrow = min(request.rbw_hz, request.vbw_hz or math.inf)
        return max(1e-3, self.profile.sweep_factor * request.span_hz / (request.rbw_hz * narrow))

    def sweep(self, request: SweepRequest, arrival: Arrival, key: tuple[object, ...]) -> SweepResult:
        """Return the trace of one acquisition; ``key`` alone decides its noise."""
        if self._last is None or self._last[1] is not arrival or self._last[0] != request:
            self._last = (request, arrival, self._prepare(request, arrival))
        steady = self._last[2]
        rng = generator(self._noise_seed, self.name, key)
        read_w = detect(
            steady.signal_w, steady.noise_w, steady.dwell, request.detector, request.average_type, rng
        )
        level = 10 * np.log10(np.maximum(read_w, 1e-30) * steady.gain) + 30
        level += self._returned_db(request, key)
        return self._finish(request, level, steady)

    def _prepare(self, request: SweepRequest, arrival: Arrival) -> _Steady:
        calibrated_s = self.automatic_sweep_s(request)
        sweep_s = calibrated_s if request.sweep_time_s is None else request.sweep_time_s
        speed = sweep_loss(request.span_hz, sweep_s, calibrated_s, request.rbw_hz)
        width_hz = request.rbw_hz * (1 + self.profile.filter_error.value) * speed.widening
        shape = resolution_filter(self.profile.filter_shape, width_hz)
        axis = self._axis(request, speed.shift_hz)
        lines = self.front.lines(arrival, request.attenuation_db, request.preamplifier)
        moving_hz, moving_w = self.front.moving(request.centre_hz, request.attenuation_db)
        signal = shape.through(axis, lines.frequency_hz, lines.power_w)
        if arrival.share is not None:
            signal = signal * arrival.share
        if len(moving_hz):
            signal = signal + shape.through(axis, moving_hz, moving_w)
        return _Steady(
            signal_w=signal,
            noise_w=self._noise(request, arrival, axis, shape, lines),
            gain=10 ** ((self.level_error_db(request) + speed.loss_db) / 10),
            dwell=Dwell(
                bandwidth_hz=width_hz,
                point_s=sweep_s / request.points,
                sweeps=1 if request.average_type == "none" else max(1, request.averages),
                video_hz=request.vbw_hz,
            ),
            mixer_w=lines.mixer_w,
            uncalibrated=sweep_s < 0.999 * calibrated_s,
        )

    def level_error_db(self, request: SweepRequest) -> float:
        """Return the fixed level error of a range state: what a calibration of this very state would show."""
        p = self.profile
        states = (
            ("attenuation", round(request.attenuation_db, 3), p.attenuation_error_sd.db),
            ("filter", round(request.rbw_hz, 3), p.filter_level_error_sd.db),
            ("range", (request.preamplifier, round(request.reference_level_dbm / 10)), p.range_error_sd.db),
        )
        error = p.level_error.db + p.level_slope_per_ghz.db * (request.centre_hz - 2e9) / 1e9
        return error + sum(
            fixed_error(self._seed, self.name, what, state, sd=sd, even=p.error_shape == "rectangular")
            for what, state, sd in states
            if sd
        )

    def _returned_db(self, request: SweepRequest, key: tuple[object, ...]) -> float:
        """Return by how much the level is off since these settings were made, noise not counted.

        It stays as long as the settings do, and is another one when they return, or in another step.
        """
        if self._set is None or self._set[0] != request or self._set[1][:1] != key[:1]:
            self._set = request, key
        most = self.profile.repeatability.db
        if not most:
            return 0.0
        return float(most * generator(self._noise_seed, self.name, "returned", self._set[1]).uniform(-1, 1))

    def noise_density_w(self, request: SweepRequest) -> float:
        """Return the floor referred to the connector, in W/Hz."""
        p = self.profile
        density = p.noise_density_preamplified if request.preamplifier else p.noise_density
        return watts(density.dbm_per_hz + request.attenuation_db)

    def reference_error(self, request: SweepRequest) -> float:
        """Return the relative frequency error of the reference in use."""
        return self._house_error if request.external_reference else self.profile.reference_error.value

    def _axis(self, request: SweepRequest, shift_hz: float) -> Floats:
        """True frequency that the analyser is tuned to at each point."""
        share = np.linspace(-0.5, 0.5, request.points) if request.points > 1 else np.zeros(1)
        span = request.span_hz * (1 - self.profile.span_error.value)
        error = 1 + self.reference_error(request)
        return np.asarray(request.centre_hz * error + share * span - shift_hz, dtype=np.float64)

    def _noise(
        self, request: SweepRequest, arrival: Arrival, axis: Floats, shape: Filter, lines: Lines
    ) -> Floats:
        """Noise power behind the filter at each point: floor, skirts, modulated streams."""
        width = shape.noise_bandwidth_hz
        floor = self.noise_density_w(request) + arrival.floor_w_per_hz
        noise = np.zeros(len(axis))
        first = 0
        for count, skirt in lines.skirts:
            threshold = 0.01 * floor / (skirt.near + self.skirt.near)
            strong = lines.power_w[first : first + count] > threshold
            for index in first + np.flatnonzero(strong):
                distance = np.square(axis - lines.frequency_hz[index])
                density = skirt.density(distance) + self.skirt.density(distance)
                noise += (lines.power_w[index] * width) * density
            first += count
        mixer_third = self.front.mixer.third * self.front.gain(request.attenuation_db, request.preamplifier)
        for band in arrival.bands:
            density = band.linear + band.shape * abs(band.third + mixer_third) ** 2
            noise += shape.smooth(axis - band.carrier_hz, band.offset_hz, density)
        if arrival.share is not None:
            noise *= arrival.share
        return noise + floor * width

    def _finish(self, request: SweepRequest, level: Floats, steady: _Steady) -> SweepResult:
        """Scale error, clipping above the reference level, and what the status registers say."""
        reference = request.reference_level_dbm
        level += self.profile.scale_error_per_10db.db / 10 * (level - reference)
        ceiling = reference + self.profile.headroom.db
        if_overload = bool(level.max() > ceiling)
        mixer_overload = steady.mixer_w > watts(self.profile.mixer_overload.dbm)
        return SweepResult(
            level_dbm=np.minimum(level, ceiling) if if_overload else level,
            overload=if_overload or mixer_overload,
            uncalibrated=steady.uncalibrated,
            reference_locked=True,
            mixer_overload=mixer_overload,
            if_overload=if_overload,
        )
