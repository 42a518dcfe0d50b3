"""What a signal analyser is told about a sweep, and what it says about itself."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["AVERAGE_TYPES", "DETECTORS", "AnalyserLimits", "AnalyserStatus", "SweepSetup"]

DETECTORS = ("rms", "sample", "peak", "negative")
AVERAGE_TYPES = ("power", "log", "voltage")


@dataclass(frozen=True, kw_only=True)
class SweepSetup:
    """One sweep, or an average of ``averages`` sweeps.

    ``vbw_hz`` None leaves the video filter wide (10 x RBW, or the widest). ``sweep_time_s`` None leaves the
    time of a sweep to the analyser. ``average_type`` is what is averaged, sweep by sweep and in the video
    filter: the power, the logarithm (dB) or the voltage; ``none`` leaves it as it is and allows one sweep
    only.
    """

    centre_hz: float
    span_hz: float
    points: int
    rbw_hz: float
    vbw_hz: float | None = None
    detector: str = "rms"
    average_type: str = "power"
    averages: int = 1
    sweep_time_s: float | None = None
    attenuation_db: float
    reference_level_dbm: float
    preamplifier: bool = False

    def __post_init__(self) -> None:
        if self.detector not in DETECTORS:
            raise ValueError(f"detector {self.detector!r} is none of {', '.join(DETECTORS)}")
        if self.average_type not in (*AVERAGE_TYPES, "none"):
            raise ValueError(
                f"average type {self.average_type!r} is none of {', '.join(AVERAGE_TYPES)}, none"
            )
        if self.averages < 1 or (self.average_type == "none" and self.averages > 1):
            raise ValueError(f"{self.averages} averages of type {self.average_type} make no sense")
        if self.points < 2 or self.span_hz <= 0 or self.rbw_hz <= 0:
            raise ValueError("a sweep needs two points or more, a span and an RBW above zero")


@dataclass(frozen=True, kw_only=True)
class AnalyserStatus:
    """What the analyser says about itself; None where its dialect has no way to ask."""

    overload: bool | None
    uncalibrated_sweep: bool | None
    reference_locked: bool | None


@dataclass(frozen=True, kw_only=True)
class AnalyserLimits:
    """What may be set, as (lowest, highest), from the driver file.

    ``rbw_values_hz`` and ``vbw_values_hz`` list the settable filters where they go in steps, else they are
    empty. ``attenuation_step_db`` is None where any value may be set.
    """

    frequency_hz: tuple[float, float]
    span_hz: tuple[float, float]
    points: tuple[int, int]
    rbw_hz: tuple[float, float]
    rbw_values_hz: tuple[float, ...]
    vbw_hz: tuple[float, float]
    vbw_values_hz: tuple[float, ...]
    sweep_time_s: tuple[float, float]
    averages: tuple[int, int]
    attenuation_db: tuple[float, float]
    attenuation_step_db: float | None
    reference_level_dbm: tuple[float, float]
    detectors: tuple[str, ...]
    average_types: tuple[str, ...]
    preamplifier: bool
