"""Readings, their identity and what a procedure declares about them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from hilkit.errors import ReplyError
from hilkit.readings.budget import Budget
from hilkit.readings.trace import Trace

__all__ = ["Bound", "Evidence", "Measured", "Reading", "ReadingKey", "ReadingSpec"]


class Bound(StrEnum):
    """Whether the value is the quantity itself or only bounds it."""

    EXACT = "exact"
    UPPER = "upper bound"
    LOWER = "lower bound"


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """One self-check: what was observed, what was required, and a sentence in plain words."""

    name: str
    held: bool | None
    observed: str
    required: str
    sentence: str


@dataclass(frozen=True, kw_only=True)
class ReadingSpec:
    """What a procedure promises to yield under one name.

    ``unit`` is the text of the unit, ``1`` for a count. ``phases`` is empty where the reading is taken once;
    else a limit without a phase applies to ``final_phase``. A ``series`` has members numbered by ``index``;
    ``index_name`` and ``index_unit`` say what the number is. ``by_radio`` marks what the radio itself
    reports, or the time between two of its reports: no calibration of another instrument counts for it.
    """

    name: str
    unit: str
    meaning: str
    phases: tuple[str, ...] = ()
    final_phase: str = ""
    series: bool = False
    index_name: str = ""
    index_unit: str = ""
    by_radio: bool = False

    def __post_init__(self) -> None:
        if self.phases and self.final_phase not in self.phases:
            raise ValueError(
                f"reading {self.name}: final phase {self.final_phase!r} is not one of {self.phases}"
            )


@dataclass(frozen=True, kw_only=True)
class Measured:
    """One number as a procedure yields it; the runner adds the step and the vary values to make a reading.

    ``confidence`` belongs to a bound: the probability that the quantity does not exceed it. ``note`` is one
    sentence for the reader of the report.
    """

    name: str
    value: float
    phase: str = ""
    index: float | None = None
    bound: Bound = Bound.EXACT
    confidence: float | None = None
    note: str = ""
    trace: Trace | None = None
    evidence: tuple[Evidence, ...] = ()
    budget: Budget | None = None


@dataclass(frozen=True, kw_only=True)
class ReadingKey:
    """The identity of a reading: for limits, report names, resume and comparison."""

    step: str
    vary: tuple[tuple[str, str], ...] = ()
    name: str = ""
    phase: str = ""
    index: float | None = None

    @property
    def combination(self) -> str:
        """The vary values as ``name=value`` joined by commas, empty where nothing varies."""
        return ", ".join(f"{name}={value}" for name, value in self.vary)

    def __str__(self) -> str:
        text = f"{self.step}.{self.name}"
        if self.phase:
            text += f".{self.phase}"
        if self.index is not None:
            text += f"[{self.index:g}]"
        return f"{text} ({self.combination})" if self.vary else text


@dataclass(frozen=True, kw_only=True)
class Reading:
    """A number with its identity and unit, as it goes into the record.

    ``budget`` is left for the uncertainty budget. A value that is not finite is refused: a SCPI NaN or
    infinity is an instrument error, never a number that passes a limit.
    """

    key: ReadingKey
    value: float
    unit: str
    bound: Bound = Bound.EXACT
    confidence: float | None = None
    note: str = ""
    trace: Trace | None = None
    evidence: tuple[Evidence, ...] = ()
    budget: Budget | None = None

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ReplyError(
                f"{self.key} came out as {self.value}: not a number that can be judged",
                next_step="look at the transcript of this step for the instrument's answer",
            )
