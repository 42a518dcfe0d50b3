"""The calibration of a path: what a substitution found on one day, as a file that a person can read.

The file stands beside the bench file that names it. Its checksum is the SHA-256 over the content without the
checksum itself, in JSON with sorted keys: comments and the layout may change, a number may not.

Between two points the loss is taken on a straight line in dB. How far the true loss may lie from that line is
the larger of two figures, a rule of thumb that is common practice and has no source: the remainder of linear
interpolation, |second derivative| / 2 times the distances to both points, with the second derivative from
the neighbouring points and a quarter on top for what these smooth over; and the same remainder of the ripples
of all pairs of reflections inside the path, never more than twice their amplitude, which the grid may have
missed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path as FilePath
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from hilkit.bench.accuracy import Db
from hilkit.errors import Problem
from hilkit.files import Document, FileModel, loads
from hilkit.quantities import Between, Frequency, Level, Ratio, Temperature

__all__ = [
    "CalibrationFile",
    "CalibrationPoint",
    "InstrumentUsed",
    "PathCalibration",
    "calibration_text",
    "checksum",
    "content_problems",
    "decided",
]

Floats = NDArray[np.float64]
Sensor = Literal["power_meter", "signal_analyser"]

SMOOTHED = 1.25
"""Second differences smooth: a ripple with four points in a period shows as (sin(pi/4) / (pi/4))^2 = 0.81."""

_LIGHT_M_PER_S = 299_792_458.0
_CHECKSUM = "checksum"
_HEAD = """\
# Calibration of a path, written by hilkit. `loss` is what the whole path takes at the setting of the pad
# given here; `common` is the standard uncertainty that all points share, `local` that of each point alone.
# The checksum covers every value: to change one, calibrate again.
"""


class InstrumentUsed(FileModel):
    """An instrument that took part."""

    model: str
    serial: str
    calibration_due: dt.date | None = None


class CalibrationPoint(FileModel):
    """The loss at one frequency; both uncertainties are standard uncertainties."""

    frequency: Annotated[Frequency, Between(above="0 Hz")]
    loss: Ratio
    common: Db
    local: Db


class CalibrationFile(FileModel):
    """What a path lost on one day, with what, and how sure that is."""

    calibration: str = Field(description="name of the path")
    bench: str = Field(description="name of the bench")
    date: dt.date = Field(description="day of the calibration (UTC)")
    switches: dict[str, list[int]] = Field(
        default_factory=dict, description="channels of each switch that were closed"
    )
    pad: Annotated[Ratio, Between(low="0 dB")] | None = Field(
        None, description="setting of the step attenuator, left out on a path without one"
    )
    sensor: Sensor = Field(description="what read the power")
    level: Level = Field(description="level of the generator")
    temperature: Temperature | None = Field(None, description="of the room, where somebody has read it")
    tool: str = Field(description="program and version that wrote the file")
    instruments: dict[str, InstrumentUsed] = Field(description="instruments that took part")
    budget: list[str] = Field(
        default_factory=list, description="lines of the uncertainty where it is largest, for the reader"
    )
    missing: list[str] = Field(
        default_factory=list,
        description="what nobody has given a figure for: the uncertainty is too small by it",
    )
    points: list[CalibrationPoint] = Field(min_length=3, description="three points or more")
    checksum: str = Field(description="sha256: and the digest of everything else")


@dataclass(frozen=True, kw_only=True)
class PathCalibration:
    """A calibration as the loss of a path: arrays over the frequencies in Hz, in dB.

    ``pad_db`` is the setting of the step attenuator at which ``loss_db`` holds, 0 without one. ``overdue``
    names the instruments that took part although their own calibration had run out by then, with that day.
    """

    path: str
    date: dt.date
    sensor: Sensor
    pad_db: float
    frequency_hz: Floats
    loss_db: Floats
    common_db: Floats
    local_db: Floats
    file: str
    missing: tuple[str, ...] = ()
    overdue: tuple[tuple[str, dt.date], ...] = ()

    @classmethod
    def of(cls, entry: CalibrationFile, file: FilePath) -> PathCalibration:
        """Return what a file says."""
        return cls(
            path=entry.calibration,
            date=entry.date,
            sensor=entry.sensor,
            pad_db=0.0 if entry.pad is None else entry.pad.db,
            frequency_hz=np.array([point.frequency.hz for point in entry.points]),
            loss_db=np.array([point.loss.db for point in entry.points]),
            common_db=np.array([point.common.db for point in entry.points]),
            local_db=np.array([point.local.db for point in entry.points]),
            file=file.name,
            missing=tuple(entry.missing),
            overdue=tuple(
                (name, used.calibration_due)
                for name, used in entry.instruments.items()
                if used.calibration_due is not None and used.calibration_due < entry.date
            ),
        )

    @property
    def coverage_hz(self) -> tuple[float, float]:
        """Lowest and highest frequency in Hz of the grid."""
        return float(self.frequency_hz[0]), float(self.frequency_hz[-1])

    def covers(self, low_hz: float, high_hz: float) -> bool:
        """Return whether both frequencies lie in the grid."""
        low, high = self.coverage_hz
        return low <= low_hz and high_hz <= high

    def within(self, low_hz: float, high_hz: float) -> tuple[float, float] | None:
        """Return the part of a range of frequencies that lies in the grid, ``None`` where none does."""
        low, high = max(low_hz, self.coverage_hz[0]), min(high_hz, self.coverage_hz[1])
        return (low, high) if low <= high else None

    def beyond(self, low_hz: float, high_hz: float) -> list[tuple[float, float]]:
        """Return the parts of a range of frequencies that lie outside the grid, below it and above."""
        low, high = self.coverage_hz
        parts = [(low_hz, min(high_hz, low))] if low_hz < low else []
        return parts + ([(max(low_hz, high), high_hz)] if high_hz > high else [])

    def at(self, frequency_hz: Floats, pad_db: float) -> Floats:
        """Return the loss in dB at each frequency in the grid with the pad at another setting."""
        return np.asarray(np.interp(frequency_hz, self.frequency_hz, self.loss_db) + pad_db - self.pad_db)

    def least_db(self, low_hz: float, high_hz: float) -> float:
        """Return the least loss in dB between two frequencies with the pad at 0 dB, less twice its standard
        uncertainty; infinite where the grid does not reach.
        """
        part = self.within(low_hz, high_hz)
        if part is None:
            return math.inf
        low, high = part
        inside = self.frequency_hz[(self.frequency_hz > low) & (self.frequency_hz < high)]
        axis = np.concatenate(([low, high], inside))
        doubt = 2 * math.hypot(float(self.common_db.max()), float(self.local_db.max()))
        return float(self.at(axis, 0.0).min()) - doubt

    def uncertainty_db(self, frequency_hz: float) -> tuple[float, float]:
        """Return the standard uncertainties in dB, common and local: of the neighbours the worse."""
        near = self._neighbours(frequency_hz)
        return float(self.common_db[near].max()), float(self.local_db[near].max())

    def interpolation_db(
        self, frequency_hz: float, ripples: Sequence[tuple[float, float | None]] = ()
    ) -> float:
        """Return how far off the straight line the loss may lie at a frequency in dB; 0 on a point.

        ``ripples`` are amplitude in dB and electrical length in m of each pair of reflections inside.
        """
        left, right = self._neighbours(frequency_hz)
        if left == right:
            return 0.0
        below, above = frequency_hz - self.frequency_hz[left], self.frequency_hz[right] - frequency_hz
        bend = max(abs(self._second_derivative(place)) for place in range(left - 1, right + 2))
        ripple = math.sqrt(math.fsum(_missed(a, m, below * above) ** 2 for a, m in ripples))
        return max(float(SMOOTHED * bend * below * above / 2), ripple)

    def _neighbours(self, frequency_hz: float) -> list[int]:
        """Return the places of the points to the left and right; twice the same on a point."""
        right = int(np.searchsorted(self.frequency_hz, frequency_hz))
        right = min(right, len(self.frequency_hz) - 1)
        return [right if self.frequency_hz[right] == frequency_hz else max(0, right - 1), right]

    def _second_derivative(self, place: int) -> float:
        inner = min(max(place, 1), len(self.frequency_hz) - 2)
        x, y = self.frequency_hz[inner - 1 : inner + 2], self.loss_db[inner - 1 : inner + 2]
        slopes = np.diff(y) / np.diff(x)
        return float(2 * (slopes[1] - slopes[0]) / (x[2] - x[0]))


def _missed(amplitude_db: float, length_m: float | None, product_hz2: float) -> float:
    """Return the most that a straight line between two points misses of a ripple."""
    if length_m is None:
        return 2 * amplitude_db
    turns_per_hz = 4 * math.pi * length_m / _LIGHT_M_PER_S
    return min(2 * amplitude_db, amplitude_db * turns_per_hz**2 * product_hz2 / 2)


def checksum(data: Mapping[str, Any]) -> str:
    """Return the checksum of the content of a calibration file, its own ``checksum`` left out."""
    content = {key: value for key, value in data.items() if key != _CHECKSUM}
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"), default=str)
    return f"sha256:{hashlib.sha256(text.encode('utf-8')).hexdigest()}"


def content_problems(document: Document, entry: CalibrationFile) -> list[Problem]:
    """Return what is wrong with the content of a calibration file beyond its keys."""
    found = []
    if entry.checksum != checksum(document.data):
        found.append(
            document.problem(
                (_CHECKSUM,),
                "the checksum does not fit the content: the file was changed after the calibration",
                seen=entry.checksum,
                next_step="take the file as it was written, or calibrate the path again",
            )
        )
    grid = [point.frequency.hz for point in entry.points]
    for number, (before, after) in enumerate(pairwise(grid), start=1):
        if after <= before:
            message = "the points are not in rising order"
            found.append(document.problem(("points", number, "frequency"), message))
    for number, point in enumerate(entry.points):
        if point.loss.unit != "dB":
            message = "a loss is in dB"
            found.append(document.problem(("points", number, "loss"), message, seen=str(point.loss)))
    return found


def calibration_text(data: Mapping[str, Any]) -> str:
    """Return the file of a calibration given as plain data with the keys of ``CalibrationFile``.

    The checksum is added.
    """
    lines = [_HEAD.rstrip("\n")]
    for key, value in data.items():
        if key in (_CHECKSUM, "points") or value in (None, {}, []):
            continue
        lines += _entry(key, value)
    lines.append("points:")
    lines += [f"  - {_flow(point)}" for point in data["points"]]
    body = "\n".join(lines) + "\n"
    return f"{body}{_CHECKSUM}: {checksum(loads(body, 'calibration').data)}\n"


def _entry(key: str, value: Any) -> list[str]:
    if isinstance(value, Mapping):
        return [f"{key}:", *(f"  {name}: {_flow(item)}" for name, item in value.items())]
    if isinstance(value, list):
        return [f"{key}:", *(f"  - {_flow(item)}" for item in value)]
    return [f"{key}: {_flow(value)}"]


def _flow(value: Any) -> str:
    if isinstance(value, Mapping):
        return f"{{{', '.join(f'{name}: {_flow(item)}' for name, item in value.items())}}}"
    if isinstance(value, list):
        return f"[{', '.join(map(_flow, value))}]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)


def decided(digits: float) -> str:
    """Return a figure in dB with four decimals, as it goes into the file."""
    return f"{digits:.4f} dB"
