"""Cascades: noise figure by Friis, gain and third-order intercept of stages in a row, for planning.

All stages are matched and the distortion of all of them adds up in phase, which is the worst case (Pozar,
Microwave Engineering, 4th ed., sections 10.1 and 10.3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hilkit.analysis.noise_figure import BOLTZMANN_J_PER_K, noise_figure_db, noise_temperature_k

__all__ = ["Cascade", "Stage", "cascade", "cascades"]


@dataclass(frozen=True, kw_only=True)
class Stage:
    """One stage: gain in dB (negative for a loss), noise figure in dB, output intercept in dBm or ``None``.

    A passive loss at 290 K has a noise figure equal to its loss.
    """

    name: str
    gain_db: float
    noise_figure_db: float
    output_ip3_dbm: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.gain_db) and math.isfinite(self.noise_figure_db)):
            raise ValueError(f"{self.name}: gain and noise figure must be numbers")
        if self.noise_figure_db < 0:
            raise ValueError(f"{self.name}: a noise figure of {self.noise_figure_db:g} dB does not exist")


@dataclass(frozen=True, kw_only=True)
class Cascade:
    """All stages up to one: gain and noise figure in dB, noise temperature in K, input IP3 in dBm."""

    gain_db: float
    noise_figure_db: float
    temperature_k: float
    input_ip3_dbm: float | None

    def output_noise_dbm(self, *, source_k: float, bandwidth_hz: float) -> float:
        """Return the noise at the output in dBm: k (Ts + Te) B G (Pozar, 4th ed., example 10.2)."""
        watts = BOLTZMANN_J_PER_K * (source_k + self.temperature_k) * bandwidth_hz
        return 10 * math.log10(watts * 1e3) + self.gain_db

    def input_level_dbm(self, *, signal_to_noise_db: float, source_k: float, bandwidth_hz: float) -> float:
        """Return the level at the input in dBm that gives a ratio of signal to noise at the output."""
        noise = self.output_noise_dbm(source_k=source_k, bandwidth_hz=bandwidth_hz)
        return noise - self.gain_db + signal_to_noise_db


def cascades(stages: Sequence[Stage]) -> list[Cascade]:
    """Return the cascade up to and with each stage; ``ValueError`` without any stage.

    Te = T1 + T2 / G1 + T3 / (G1 G2) + ..., 1 / IIP3 = sum of the gain in front over the intercept at the
    input of each stage, in watts.
    """
    if not stages:
        raise ValueError("a cascade has one stage or more")
    found: list[Cascade] = []
    gain_db, temperature, inverse = 0.0, 0.0, 0.0
    known = False
    for stage in stages:
        temperature += noise_temperature_k(stage.noise_figure_db) / 10 ** (gain_db / 10)
        if stage.output_ip3_dbm is not None:
            known = True
            inverse += 10 ** ((gain_db - (stage.output_ip3_dbm - stage.gain_db)) / 10)
        gain_db += stage.gain_db
        found.append(
            Cascade(
                gain_db=gain_db,
                noise_figure_db=noise_figure_db(temperature),
                temperature_k=temperature,
                input_ip3_dbm=-10 * math.log10(inverse) if known else None,
            )
        )
    return found


def cascade(stages: Sequence[Stage]) -> Cascade:
    """Return the cascade of all stages."""
    return cascades(stages)[-1]
