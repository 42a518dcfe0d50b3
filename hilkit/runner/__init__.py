"""Runs a plan on a bench and tells its listeners what happens."""

from hilkit.record.events import (
    CombinationBegun,
    Event,
    FactNoted,
    Listener,
    NoteTaken,
    Outcome,
    PlannedStep,
    ReadingTaken,
    RunBegun,
    RunEnded,
    StepBegun,
    StepEnded,
)
from hilkit.runner.choice import choice_text, choose
from hilkit.runner.engine import run
from hilkit.runner.interrupt import StopRequest

__all__ = [
    "CombinationBegun",
    "Event",
    "FactNoted",
    "Listener",
    "NoteTaken",
    "Outcome",
    "PlannedStep",
    "ReadingTaken",
    "RunBegun",
    "RunEnded",
    "StepBegun",
    "StepEnded",
    "StopRequest",
    "choice_text",
    "choose",
    "run",
]
