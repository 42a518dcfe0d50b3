"""The run on disk: what happened, in order, durable before the next thing happens."""

from hilkit.record.compare import differences
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
    Resumed,
    RunBegun,
    RunEnded,
    StepBegun,
    StepEnded,
)
from hilkit.record.find import find_readings
from hilkit.record.folder import DATABASE, JUNIT, TRACEBACK, TRANSCRIPT, new_run_folder, slug
from hilkit.record.read import load_trace, read_run
from hilkit.record.record import Record
from hilkit.record.stored import NO_GOODBYE, StoredReading, StoredRun, StoredStep

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
    "Resumed",
    "RunBegun",
    "RunEnded",
    "StepBegun",
    "StepEnded",
    "StoredReading",
    "StoredRun",
    "StoredStep",
    "differences",
    "find_readings",
    "load_trace",
    "new_run_folder",
    "read_run",
    "slug",
]
