"""Runs a plan on a bench and tells its listeners what happens, in the events of ``hilkit.record``."""

from hilkit.runner.calibration import Calibrations, dates_of
from hilkit.runner.choice import choice_text, choose
from hilkit.runner.engine import run
from hilkit.runner.interrupt import StopRequest

__all__ = ["Calibrations", "StopRequest", "choice_text", "choose", "dates_of", "run"]
