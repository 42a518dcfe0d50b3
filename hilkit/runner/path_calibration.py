"""Puts what a procedure has found for a path into a file that the bench file can name."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Iterator, Mapping
from itertools import count
from pathlib import Path

from hilkit import __version__
from hilkit.bench import Bench
from hilkit.bench.calibration import calibration_text, decided
from hilkit.errors import BenchError
from hilkit.files import library
from hilkit.instruments import Identity
from hilkit.procedures.contract import Calibrates
from hilkit.quantities import Frequency, Level, Ratio, Temperature
from hilkit.readings import BudgetLine, Reading
from hilkit.record import slug

__all__ = ["write_calibration"]

FOLDER = "calibrations"


def write_calibration(
    found: Calibrates,
    readings: Iterable[Reading],
    *,
    bench: Bench,
    identities: Mapping[str, Identity],
    when: dt.datetime,
    folder: Path,
) -> Path:
    """Write ``calibrations/PATH_DATE.yaml`` beside the bench file and return it.

    A second one of the same day gets a number, none is ever written over. What came with hilkit is left as
    it is: for such a bench the file goes to ``folder``, that of the run. Raises ``BenchError`` where it
    cannot be written.
    """
    taken = sorted((r for r in readings if r.key.name == found.reading), key=_frequency_hz)
    text = calibration_text(_content(found, taken, bench, identities, when))
    shipped = bench.file.resolve().is_relative_to(library().resolve())
    place = (folder if shipped else bench.file.parent) / FOLDER
    stem = f"{slug(found.path)}_{when.date()}"
    try:
        place.mkdir(parents=True, exist_ok=True)
        path = next(path for path in _names(place, stem) if not path.exists())
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except OSError as error:
        raise BenchError(
            f"the calibration cannot be written to {place}: {error.strerror or error}",
            next_step="its readings are in the record of this run; make the folder writable, run again",
        ) from error
    return path


def _names(place: Path, stem: str) -> Iterator[Path]:
    yield place / f"{stem}.yaml"
    yield from (place / f"{stem}_{number}.yaml" for number in count(2))


def _frequency_hz(reading: Reading) -> float:
    return reading.key.index or 0.0


def _content(
    found: Calibrates,
    taken: list[Reading],
    bench: Bench,
    identities: Mapping[str, Identity],
    when: dt.datetime,
) -> dict[str, object]:
    path = bench.paths[found.path]
    worst = max(taken, key=lambda reading: math.hypot(*_uncertainty_db(reading)))
    lines = worst.budget.lines if worst.budget is not None else ()
    temperature = found.temperature_c
    return {
        "calibration": found.path,
        "bench": bench.name,
        "date": str(when.date()),
        "switches": {name: list(close) for name, close in path.switch_positions.items()},
        "pad": None if found.pad_db is None else str(Ratio(found.pad_db)),
        "sensor": found.sensor,
        "level": str(Level(found.level_dbm)),
        "temperature": None if temperature is None else str(Temperature(temperature)),
        "tool": f"hilkit {__version__}",
        "instruments": {name: _used(bench, name, identities[name]) for name in found.instruments},
        "budget": [
            f"at {Frequency(_frequency_hz(worst))}, standard uncertainties",
            *(_told(line) for line in sorted(lines, key=lambda line: -abs(line.contribution)) if line.stated),
        ],
        "missing": list(dict.fromkeys(line.source for line in lines if not line.stated)),
        "points": [_point(reading) for reading in taken],
    }


def _used(bench: Bench, name: str, identity: Identity) -> dict[str, str]:
    due = bench.instruments[name].calibration_due
    used = {"model": identity.model, "serial": identity.serial}
    return used if due is None else {**used, "calibration_due": str(due)}


def _told(line: BudgetLine) -> str:
    return f"{line.quantity}: {decided(abs(line.contribution))}, {line.distribution}; {line.source}"


def _point(reading: Reading) -> dict[str, str]:
    common, local = _uncertainty_db(reading)
    return {
        "frequency": str(Frequency(_frequency_hz(reading))),
        "loss": decided(reading.value),
        "common": decided(common),
        "local": decided(local),
    }


def _uncertainty_db(reading: Reading) -> tuple[float, float]:
    """Return two standard uncertainties: of what all points share, and of what belongs to this one."""
    lines = reading.budget.lines if reading.budget is not None else ()
    parts: tuple[list[float], list[float]] = ([], [])
    for line in lines:
        parts[0 if line.shared and line.frequency_hz is None else 1].append(line.contribution)
    return math.hypot(*parts[0]), math.hypot(*parts[1])
