"""One transmit channel of the simulated radio over time: synthesiser, calibration, corrections, attenuator,
heat.

Nothing here runs by itself: every state is worked out for the moment at which somebody looks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hilkit.quantities import Frequency, Level
from hilkit.sim.amplifier import Amplifier, amplifier, watts
from hilkit.sim.modulator import Modulator, Quadrature, residual
from hilkit.sim.noise import table_errors
from hilkit.sim.profile_radio import ChannelProfile, WaveformProfile
from hilkit.sim.switchgear import HotMove
from hilkit.sim.transmitter import Transmission

__all__ = ["Channel", "Stream"]

TIME_CONSTANTS = 8.0
"""Time constants of the corrections within their settling time: what is left then is below 0.04 %."""


@dataclass(frozen=True, kw_only=True)
class Stream:
    """What is loaded: a tone at ``offset_hz``, or with another at ``second_hz``, or a waveform.

    ``dbfs`` is the level of each tone, or of the waveform.
    """

    kind: Literal["nothing", "tone", "tones", "file"] = "nothing"
    name: str = ""
    offset_hz: float = 0.0
    second_hz: float = 0.0
    dbfs: float = 0.0
    running: bool = False

    @property
    def comb(self) -> tuple[float, tuple[int, ...]]:
        """The frequency of which every tone is a multiple, in Hz, and those multiples."""
        if self.kind != "tones":
            return self.offset_hz, (1,)
        both = round(self.offset_hz), round(self.second_hz)
        common = math.gcd(*both)
        return float(common), tuple(each // common for each in both)

    @property
    def mean_dbfs(self) -> float:
        """Level of all that is played together."""
        return self.dbfs + (10 * math.log10(2) if self.kind == "tones" else 0.0)


@dataclass(frozen=True, kw_only=True)
class _Signal:
    """All that the signal depends on at one instant."""

    carrier_hz: float
    clock: float
    gain_db: float
    unsettled: float
    calibrated_hz: float | None
    rf_on: bool
    powered: bool
    stream: Stream


class Channel:
    """State of one channel. Methods that change it take the time first."""

    def __init__(
        self,
        number: str,
        profile: ChannelProfile,
        waveforms: dict[str, WaveformProfile],
        seed: int,
        calibration_s: float,
    ) -> None:
        self.number = number
        self.profile = profile
        self._waveforms = waveforms
        self._calibration_s = calibration_s
        self.powered = True
        self.held = False
        """True while the transmit attenuator answers but does not move."""
        self._amplifier: Amplifier = amplifier(profile.amplifier)
        self._codes = self._code_errors(seed)
        self._sent: tuple[_Signal, Transmission] | None = None
        self._full_scale: tuple[float, float] | None = None
        self.hot_moves: list[HotMove] = []
        self._power_up()

    def _power_up(self) -> None:
        self.carrier_hz = 0.0
        self._previous_hz = 0.0
        self._tuned_at_s = 0.0
        self._lost = False
        self.rf_on = False
        self.rf_told = False
        self.trim_db = self.told_trim_db = self.profile.attenuator.high.db
        self._trimmed_at_s = -math.inf
        self.stream = Stream()
        self._calibrated_from_s = -math.inf
        self._calibrated_hz: float | None = None
        self._calibration_failed = False
        self.corrections_on = False
        self._learnt_s = 0.0
        self._seen_s = 0.0
        self._heat = 0.0

    def restart(self, now: float, carrier_hz: float) -> None:
        """Power up at a carrier: RF off, highest attenuation, no stream, no calibration."""
        self._power_up()
        self._seen_s = now
        self.carrier_hz = self._previous_hz = carrier_hz
        self._tuned_at_s = now

    def _code_errors(self, seed: int) -> NDArray[np.float64]:
        p = self.profile.attenuator
        count = round(p.high.db / p.step.db) + 1
        errors = table_errors(
            seed, "radio", self.number, "trim", count=count, sd=p.error_sd.db, bound=p.error_bound.db
        )
        errors[0] = 0.0
        for code, error in p.errors.items():
            errors[round(code.db / p.step.db)] = error.db
        return errors

    # synthesiser

    def tune(self, now: float, carrier_hz: float) -> None:
        """Move the carrier: the loop slews, a calibration made elsewhere is stale, corrections restart."""
        self._settle(now)
        if self.rf_on:
            what = f"carrier of channel {self.number}"
            self.hot_moves.append(HotMove(what=what, time_s=now, level_dbm=self.nominal_level_dbm()))
        self._previous_hz = self.frequency_hz(now)
        self.carrier_hz = carrier_hz
        self._restart_loop(now)

    def restart_loop(self, now: float) -> None:
        """Restart the synthesiser where it is."""
        self._settle(now)
        self._previous_hz = self.frequency_hz(now)
        self._restart_loop(now)

    def _restart_loop(self, now: float) -> None:
        self._tuned_at_s = now
        self._lost = False
        self._learnt_s = 0.0

    def lose_lock(self, now: float) -> None:
        """Let the loop fall out of lock until it is restarted or tuned again."""
        self._settle(now)
        self._lost = True

    @property
    def locked_at_s(self) -> float:
        """When the loop is or will be locked."""
        return math.inf if self._lost else self._tuned_at_s + self.profile.synthesiser.lock_time.s

    def loop_state(self, now: float) -> Literal["locked", "slewing", "lost"]:
        """State of the synthesiser."""
        if self._lost:
            return "lost"
        return "locked" if now >= self.locked_at_s else "slewing"

    def frequency_hz(self, now: float) -> float:
        """Frequency without the error of the reference: exponential, within 100 Hz when the loop locks."""
        if self._lost:
            return self.carrier_hz - 2e6
        if now >= self.locked_at_s:
            return self.carrier_hz
        distance = (self._previous_hz - self.carrier_hz) or 1e6
        settled = (now - self._tuned_at_s) / self.profile.synthesiser.lock_time.s
        return float(self.carrier_hz + distance * (100 / max(abs(distance), 200.0)) ** settled)

    # initial calibration and running corrections

    def calibrate(self, now: float) -> None:
        """Start the initial calibration; it fails where the loop is not locked."""
        self._settle(now)
        self._calibrated_from_s = now + self._calibration_s
        self._calibrated_hz = self.carrier_hz
        self._calibration_failed = now < self.locked_at_s
        self._learnt_s = 0.0

    def calibration(self, now: float) -> tuple[Literal["none", "busy", "good", "bad", "stale"], int]:
        """State of the initial calibration and its progress in percent."""
        if now < self._calibrated_from_s:
            left = (self._calibrated_from_s - now) / self._calibration_s
            return "busy", round(99 * (1 - left))
        if self._calibration_failed:
            return "bad", 100
        if self._calibrated_hz is None:
            return "none", 0
        return ("good" if self._calibrated_hz == self.carrier_hz else "stale"), 100

    def _calibrated_at_hz(self, now: float) -> float | None:
        """Carrier of the calibration that holds at ``now``; none while one runs or after it failed."""
        return None if self._calibration_failed or now < self._calibrated_from_s else self._calibrated_hz

    def correct(self, now: float, on: bool) -> None:
        """Switch the running corrections; they forget what they learnt when they go off."""
        self._settle(now)
        if not on:
            self._learnt_s = 0.0
        self.corrections_on = on

    def corrections(self, now: float) -> tuple[Literal["off", "learning", "settled", "stuck"], int]:
        """State of the running corrections and their progress in percent."""
        if not self.corrections_on:
            return "off", 0
        share = self._learnt(now) / self.profile.corrections.settle_time.s
        if share >= self.profile.corrections.reported_share:
            return "settled", 100
        streaming = self.rf_on and self.stream.running
        if streaming and self._stuck(now) and share >= self.profile.corrections.stuck_share:
            return "stuck", int(100 * share)
        return "learning", min(99, int(100 * share))

    def _learnt(self, now: float) -> float:
        """Seconds of learning so far.

        Only with a stream on air, the loop locked and no calibration running, and no further than they stick.
        """
        if not (self.corrections_on and self.rf_on and self.stream.running):
            return self._learnt_s
        locked_at_s = self._seen_s if self._lost else self.locked_at_s
        began = max(self._seen_s, locked_at_s, self._calibrated_from_s)
        learnt = self._learnt_s + max(0.0, now - began)
        p = self.profile.corrections
        if self._stuck(now):
            learnt = max(self._learnt_s, min(learnt, p.stuck_share * p.settle_time.s))
        return min(learnt, p.settle_time.s)

    def _stuck(self, now: float) -> bool:
        """True when there is too little signal, no lock, or an image that the corrections do not reach."""
        p = self.profile.corrections
        weak = self.nominal_level_dbm() < p.lowest_level.dbm
        skew = self._residual(self._calibrated_at_hz(now), unsettled=1.0).skew
        image_db = 20 * math.log10(max(abs(1 - skew) / abs(1 + skew), 1e-12))
        return weak or self._lost or image_db > p.worst_image.db

    def unsettled(self, now: float) -> float:
        """What the corrections have left of the calibrated error, as a fraction."""
        if not self.corrections_on:
            return 1.0
        share = self._learnt(now) / self.profile.corrections.settle_time.s
        return 0.0 if share >= 1 else math.exp(-TIME_CONSTANTS * share)

    # level

    def set_trim(self, now: float, db: float) -> None:
        """Move the transmit attenuator."""
        self._settle(now)
        self.told_trim_db = db
        if db != self.trim_db and not self.held:
            self._trimmed_at_s = now
            self.trim_db = db

    def set_rf(self, now: float, on: bool) -> None:
        """Switch RF."""
        self._settle(now)
        self.rf_on = self.rf_told = on

    def load(self, now: float, stream: Stream) -> None:
        """Replace the stream."""
        self._settle(now)
        self.stream = stream

    def true_trim_db(self, db: float) -> float:
        """Return what a code of the transmit attenuator truly takes away."""
        return db + float(self._codes[round(db / self.profile.attenuator.step.db)])

    def full_scale_dbm(self) -> float:
        """Level of a full-scale tone at the carrier without attenuation, compression or droop."""
        if self._full_scale is None or self._full_scale[0] != self.carrier_hz:
            level = self.profile.amplifier.full_scale
            dbm = level.dbm if isinstance(level, Level) else _interpolate(level, self.carrier_hz)
            self._full_scale = (self.carrier_hz, dbm)
        return self._full_scale[1]

    def nominal_level_dbm(self) -> float:
        """Level of the stream at the port as the corrections estimate it, -inf without RF or stream."""
        if not (self.rf_on and self.stream.running):
            return -math.inf
        return self.full_scale_dbm() + self.stream.mean_dbfs - self.trim_db

    def heat(self, now: float) -> float:
        """Warmth from 0 to 1, following the output power with the thermal time constant."""
        p = self.profile.amplifier
        target = min(1.0, 10 ** ((self.nominal_level_dbm() - self.full_scale_dbm()) / 10))
        settled = math.exp(-max(0.0, now - self._seen_s) / p.thermal_time.s)
        return target + (self._heat - target) * settled

    def _settle(self, now: float) -> None:
        """Bring what depends on the past up to ``now`` before something changes."""
        self._heat = self.heat(now)
        self._learnt_s = self._learnt(now)
        self._seen_s = now

    # signal

    def transmission(self, now: float, *, reference_error: float) -> Transmission:
        """Return the chain as it is at ``now``, with the relative error of the clock in use.

        The same object comes back as long as nothing has changed.
        """
        gain_db = self.full_scale_dbm() - self.true_trim_db(self.trim_db)
        gain_db -= round(self.profile.amplifier.droop.db * self.heat(now), 4)
        if now - self._trimmed_at_s < self.profile.attenuator.glitch_time.s:
            gain_db += self.profile.attenuator.glitch.db
        state = _Signal(
            carrier_hz=self.frequency_hz(now) * (1 + reference_error),
            clock=1 + reference_error,
            gain_db=gain_db,
            unsettled=self.unsettled(now),
            calibrated_hz=self._calibrated_at_hz(now),
            rf_on=self.rf_on,
            powered=self.powered,
            stream=self.stream,
        )
        if self._sent is None or self._sent[0] != state:
            self._sent = (state, self._transmission(state))
        return self._sent[1]

    def _transmission(self, state: _Signal) -> Transmission:
        p = self.profile
        stream = state.stream
        waveform = self._waveforms[stream.name] if stream.kind == "file" else None
        step_hz, multiples = stream.comb
        return Transmission(
            carrier_hz=state.carrier_hz,
            offset_hz=step_hz * (-state.clock if p.inverted else state.clock),
            tones=multiples,
            drive=10 ** (stream.dbfs / 20) if stream.running else 0.0,
            occupied_hz=waveform.occupied.hz if waveform else 0.0,
            edge_hz=waveform.edge.hz if waveform else 0.0,
            modulator=self._modulator(state),
            gain=math.sqrt(watts(state.gain_db)),
            amplifier=self._amplifier,
            leak=_phasor(p.leak.dbm, p.leak_phase.deg),
            rf_on=state.rf_on,
            off_gain=10 ** (-p.off_isolation.db / 20) if state.powered else 0.0,
            off_residue=_phasor(p.off_residue.dbm, p.leak_phase.deg) if state.powered else 0j,
        )

    def _modulator(self, state: _Signal) -> Modulator:
        p = self.profile.modulator
        return Modulator(
            early_offset=complex(p.early_offset_i, p.early_offset_q),
            square=(p.square_i, p.square_q),
            cubic=(p.cubic_i, p.cubic_q),
            quadrature=self._residual(state.calibrated_hz, unsettled=state.unsettled),
            imbalance_first=p.imbalance == "before_curvature",
        )

    def _residual(self, calibrated_at_hz: float | None, *, unsettled: float) -> Quadrature:
        return residual(
            self.profile.modulator,
            carrier_hz=self.carrier_hz,
            calibrated_at_hz=calibrated_at_hz,
            unsettled=unsettled,
        )


def _phasor(level_dbm: float, phase_deg: float) -> complex:
    return complex(math.sqrt(watts(level_dbm)) * np.exp(1j * math.radians(phase_deg)))


def _interpolate(levels: dict[Frequency, Level], carrier_hz: float) -> float:
    points = sorted((frequency.hz, level.dbm) for frequency, level in levels.items())
    return float(np.interp(carrier_hz, [f for f, _ in points], [dbm for _, dbm in points]))
