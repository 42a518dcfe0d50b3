"""A bench and its steps drawn at random: what is truly there, and the file an engineer would write of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import yaml

from hilkit.clock import VirtualClock
from hilkit.sim.profile import Profile
from hilkit.sim.random_profile import random_profile
from hilkit.sim.world import World

__all__ = ["BANDS_HZ", "HALF_BAND_HZ", "Job", "bench_file", "draw_job", "other_analyser", "other_channel"]

BANDS_HZ = ((1805e6, 1880e6), (2300e6, 2400e6))
HALF_BAND_HZ = 30e6
GRID_HZ = 2e6
PADS_DB = (0, 12, 20)
"""Pad settings that the jobs take in turn: at 0 dB the pad never moves, at 12 and 20 dB it has to."""


@dataclass(frozen=True, kw_only=True)
class Job:
    """One bench with the settings of its steps, as texts of a plan would give them."""

    profile: Profile
    channel: int
    carrier_hz: float
    to_hz: float
    offset_hz: float
    pad_db: int
    attenuation_db: float
    usable_range_db: int
    drive_dbfs: float
    depth_dbc: float
    reference: Literal["external", "internal"] = "external"

    @property
    def analyser_reference_error(self) -> float:
        """Relative error of the reference that the analyser follows."""
        house, own = self.profile.file.reference.error, self.analyser.reference_error
        return float((house if self.reference == "external" else own).value)

    @property
    def bring_up(self) -> dict[str, Any]:
        """Settings of the step that locks and calibrates."""
        return {"channel": self.channel, "carrier": f"{self.carrier_hz:.0f} Hz", "reference": "external"}

    @property
    def tone(self) -> dict[str, Any]:
        """Settings that all steps with a tone share."""
        return {
            "channel": self.channel,
            "carrier": f"{self.carrier_hz:.0f} Hz",
            "offset": f"{self.offset_hz:.0f} Hz",
            "drive": f"{self.drive_dbfs} dBFS",
            "pad": f"{self.pad_db} dB",
        }

    @property
    def placement(self) -> dict[str, Any]:
        """Settings of tone_placement."""
        depth = f"{self.depth_dbc} dBc"
        return {**self.tone, "attenuation": f"{self.attenuation_db} dB", "resolve_down_to": depth}

    @property
    def sweep(self) -> dict[str, Any]:
        """Settings of power_sweep: every code of the transmit attenuator."""
        steps = {"from": "0 dB", "to": "31.5 dB", "step": "0.5 dB", "sweep_time": "0.1 s"}
        return {**self.tone, **steps, "usable_range": f"{self.usable_range_db} dB"}

    @property
    def retune(self) -> dict[str, Any]:
        """Settings of retune."""
        return {**self.placement, "to": f"{self.to_hz:.0f} Hz"}

    @property
    def analyser(self) -> Any:
        """The true analyser."""
        return self.profile.file.analysers["analyser"]

    @property
    def radio_channel(self) -> Any:
        """The true channel of the radio."""
        return self.profile.file.radio.channels[str(self.channel)]


def other_channel(job: Job, **parts: Any) -> Job:
    """Return the job with parts of its radio channel replaced; all drawn errors stay, as does the seed."""
    file, channel = job.profile.file, job.radio_channel.model_copy(update=parts)
    channels = {**file.radio.channels, str(job.channel): channel}
    return _with(job, radio=file.radio.model_copy(update={"channels": channels}))


def other_analyser(job: Job, **parts: Any) -> Job:
    """Return the job with parts of its analyser replaced."""
    return _with(job, analysers={"analyser": job.analyser.model_copy(update=parts)})


def _with(job: Job, **parts: Any) -> Job:
    profile = replace(job.profile, file=job.profile.file.model_copy(update=parts))
    return replace(job, profile=profile)


def draw_job(seed: int, number: int) -> Job:
    """Return the ``number``-th bench of ``seed`` with steps that the radio and the bench allow."""
    rng = np.random.default_rng([seed, number])
    profile = Profile(file=random_profile(rng), folder=Path())
    band = BANDS_HZ[rng.integers(2)]
    carrier_hz = round(rng.uniform(*band), -3)
    # Up to 9.5 MHz: the third harmonic must stay within the 60 MHz that the radio can use.
    offset_hz = float(round(rng.uniform(2e6, 9.5e6)) * rng.choice([-1, 1]))
    return Job(
        profile=profile,
        channel=1 + number % 2,
        carrier_hz=carrier_hz,
        to_hz=_somewhere_else(rng, carrier_hz, offset_hz),
        offset_hz=offset_hz,
        pad_db=PADS_DB[number % len(PADS_DB)],
        attenuation_db=float(rng.integers(4, 21)) / 2,
        usable_range_db=int(rng.integers(8, 20)),
        drive_dbfs=float(round(rng.uniform(-8, -4), 1)),
        depth_dbc=float(rng.integers(-66, -45)),
    )


def _somewhere_else(rng: np.random.Generator, carrier_hz: float, offset_hz: float) -> float:
    """Draw a carrier in either band whose lines stay 1 MHz clear of the old carrier and the old tone."""
    while True:
        to_hz = round(rng.uniform(*BANDS_HZ[rng.integers(2)]), -3)
        lines = to_hz + offset_hz * np.arange(-4, 5)
        if min(abs(lines - carrier_hz).min(), abs(lines - carrier_hz - offset_hz).min()) > 1e6:
            return float(to_hz)


def bench_file(job: Job, folder: Path, *, driver: str = "signal_analyser") -> Path:
    """Write what an engineer knows who has measured the paths with the pad where the steps begin.

    The tables come from the true paths with that pad setting, less its nominal value, so that neither path
    errors nor the error of that one pad code are in the readings.
    """
    file = folder / "random.bench.yaml"
    radio, analyser = job.profile.file.radio, job.analyser
    bench = {
        "bench": "random bench",
        "instruments": {
            "analyser": _entry(driver, analyser) | {"reference": job.reference},
            "pad": _entry("step_attenuator", job.profile.file.pads["pad"]),
            "relay": _entry("switch_matrix", job.profile.file.relays["relay"]),
        },
        "radio": {
            "driver": "radio_head",
            "resource": radio.resource,
            "serial": radio.identity.serial,
            "channels": {"1": "tx1", "2": "tx2"},
            "max_level": "24 dBm",
            "frequency": [{"from": f"{low} Hz", "to": f"{high} Hz"} for low, high in BANDS_HZ],
            "bandwidth": f"{2 * HALF_BAND_HZ} Hz",
        },
        "paths": {f"tx{channel}": _path(job, channel) for channel in (1, 2)},
        "ratings": {"analyser input": "27 dBm"},
    }
    file.write_text(yaml.safe_dump(bench, sort_keys=False, width=1000), encoding="utf-8")
    return file


def _entry(driver: str, profile: Any) -> dict[str, str]:
    return {"driver": driver, "resource": profile.resource, "serial": profile.identity.serial}


def _path(job: Job, channel: int) -> list[dict[str, Any]]:
    world = World(job.profile, VirtualClock())
    world.relays["relay"].close([100 + channel])
    world.pads["pad"].set(job.pad_db)
    table = {f"{hz:.0f} Hz": f"{world.path_loss_db(channel, hz) - job.pad_db:.6f} dB" for hz in _grid_hz()}
    return [
        {"kind": "switch", "instrument": "relay", "close": [100 + channel]},
        {"kind": "table", "name": "all that lies between", "loss": table},
        {"kind": "step_attenuator", "instrument": "pad", "node_out": "analyser input"},
    ]


def _grid_hz() -> list[float]:
    reach = HALF_BAND_HZ + GRID_HZ
    return [
        low - reach + GRID_HZ * index
        for low, high in BANDS_HZ
        for index in range(math.ceil((high - low + 2 * reach) / GRID_HZ) + 1)
    ]
