"""The run on disk: what happened, in order, durable before the next thing happens."""

from hilkit.record.events import (
    SIMPLE,
    CombinationBegun,
    Event,
    FactNoted,
    Listener,
    NoteTaken,
    Outcome,
    PlannedStep,
    ReadingJudged,
    ReadingTaken,
    RunBegun,
    RunEnded,
    StepBegun,
    StepEnded,
)
from hilkit.record.find import find_readings
from hilkit.record.folder import DATABASE, JUNIT, TRACEBACK, TRANSCRIPT, new_run_folder, slug
from hilkit.record.record import Record
from hilkit.record.stored import NO_GOODBYE, StoredReading, StoredRun, StoredStep, load_trace, read_run

__all__ = [
    "DATABASE",
    "JUNIT",
    "NO_GOODBYE",
    "SIMPLE",
    "TRACEBACK",
    "TRANSCRIPT",
    "CombinationBegun",
    "Event",
    "FactNoted",
    "Listener",
    "NoteTaken",
    "Outcome",
    "PlannedStep",
    "ReadingJudged",
    "ReadingTaken",
    "Record",
    "RunBegun",
    "RunEnded",
    "StepBegun",
    "StepEnded",
    "StoredReading",
    "StoredRun",
    "StoredStep",
    "find_readings",
    "load_trace",
    "new_run_folder",
    "read_run",
    "slug",
]
