"""Runs a plan on a bench and tells its listeners what happens, in the events of ``hilkit.record``."""

from hilkit.runner.choice import choice_text, choose
from hilkit.runner.engine import run
from hilkit.runner.interrupt import StopRequest

__all__ = ["StopRequest", "choice_text", "choose", "run"]
