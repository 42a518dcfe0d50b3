"""Finds a reading of a record by what a person writes."""

from __future__ import annotations

import difflib
from collections.abc import Mapping

from hilkit.errors import UsageError
from hilkit.record.stored import StoredReading, StoredRun

__all__ = ["find_readings"]


def find_readings(run: StoredRun, name: str, at: Mapping[str, str]) -> list[StoredReading]:
    """Return the readings that ``name`` and ``at`` can mean, in the order taken.

    ``name`` is the number of a reading in the record, or ``step.reading.phase`` of which step and phase may
    be left out, with ``[index]`` behind it for a member of a series. ``at`` narrows by vary values and by
    ``index``. Raises ``UsageError`` where nothing fits.
    """
    readings = [reading for step in run.steps for reading in step.readings]
    if name.isdecimal():
        found = [reading for reading in readings if reading.number == int(name)]
        if not found:
            raise UsageError(
                f"the record has no reading number {name}",
                next_step=f"numbers go from 1 to {max((each.number for each in readings), default=0)}",
            )
        return found
    wanted, _, index = name.removesuffix("]").partition("[")
    named = [reading for reading in readings if wanted in _names(reading)]
    if not named:
        raise _unknown(name, wanted, readings)
    wishes = {**at, **({"index": index} if index else {})}
    found = [reading for reading in named if _is_at(reading, wishes)]
    if not found:
        raise _nowhere(name, wishes, named)
    return found


def _names(reading: StoredReading) -> tuple[str, ...]:
    key = reading.key
    short = f"{key.name}.{key.phase}" if key.phase else key.name
    return key.name, short, f"{key.step}.{key.name}", f"{key.step}.{short}"


def _is_at(reading: StoredReading, wishes: Mapping[str, str]) -> bool:
    values = dict(reading.key.vary)
    if reading.key.index is not None:
        values["index"] = f"{reading.key.index:g}"
    return all(
        _plain(values.get(name, "")) == _plain(text) if name in values else False
        for name, text in wishes.items()
    )


def _plain(text: str) -> str:
    """Return a value without spaces, a number in one form: 2350MHz is 2350 MHz, 3.0 is 3."""
    try:
        return f"{float(text):g}"
    except ValueError:
        return "".join(text.split()).casefold()


def _unknown(name: str, wanted: str, readings: list[StoredReading]) -> UsageError:
    known = list(dict.fromkeys(_names(reading)[-1] for reading in readings))
    every = list(dict.fromkeys(text for reading in readings for text in _names(reading)))
    near = difflib.get_close_matches(wanted, every, n=2, cutoff=0.6)
    listed = f"its readings are {', '.join(known)}" if known else "no reading was taken in this run"
    hint = f"did you mean {' or '.join(near)}?" if near else listed
    return UsageError(f"the record has no reading {name!r}", next_step=hint)


def _nowhere(name: str, wishes: Mapping[str, str], named: list[StoredReading]) -> UsageError:
    places = list(dict.fromkeys(_place(reading) for reading in named))
    few = "; ".join(places[:8]) + (f" and {len(places) - 8} more" if len(places) > 8 else "")
    told = ", ".join(f"{key}={text}" for key, text in wishes.items())
    return UsageError(f"{name} was not taken at {told}", next_step=f"it was taken at: {few}")


def _place(reading: StoredReading) -> str:
    index = "" if reading.key.index is None else f"index={reading.key.index:g}"
    return (
        ",".join(part for part in (reading.key.combination.replace(", ", ","), index) if part) or "no values"
    )
