"""Runs a plan on a bench and tells its listeners what happens, in the events of ``hilkit.record``."""

from hilkit.runner.calibration import Calibrations, dates_of
from hilkit.runner.choice import Choice, choose
from hilkit.runner.engine import run
from hilkit.runner.interrupt import StopRequest
from hilkit.runner.resume import Resumption, recorded_choice

__all__ = [
    "Calibrations",
    "Choice",
    "Resumption",
    "StopRequest",
    "choose",
    "dates_of",
    "recorded_choice",
    "run",
]
