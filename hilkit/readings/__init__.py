"""What a measurement yields: a reading, its key, its trace; and the verdict on it."""

from hilkit.readings.budget import Budget, BudgetLine, Distribution
from hilkit.readings.reading import Bound, Evidence, Measured, Reading, ReadingKey, ReadingSpec
from hilkit.readings.trace import Trace
from hilkit.readings.verdict import Verdict, overall

__all__ = [
    "Bound",
    "Budget",
    "BudgetLine",
    "Distribution",
    "Evidence",
    "Measured",
    "Reading",
    "ReadingKey",
    "ReadingSpec",
    "Trace",
    "Verdict",
    "overall",
]
