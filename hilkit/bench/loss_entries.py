"""From what a bench file says of an element's loss (ratio, table, Touchstone file) to loss over frequency."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any

from hilkit.bench.loss import ConstantLoss, Loss, SquareRootLoss, TableLoss, touchstone_loss, touchstone_ports
from hilkit.bench.model import ElementEntry
from hilkit.bench.path import frequency_text
from hilkit.files import Lab, Loc, PlaceError
from hilkit.files.notes import Notes
from hilkit.quantities import Frequency, QuantityError, Ratio, parse

__all__ = ["network_loss", "table_loss"]

MOST_DB = 150.0
"""Most that one element takes or adds, in dB: leakage around it is higher (common practice, no source)."""

PASSIVE_GAIN_DB = 0.1
"""A passive network measured with noise may seem to have this gain in dB (common practice, no source)."""


def table_loss(entry: ElementEntry, loc: Loc, notes: Notes) -> Loss | None:
    """Return what ``loss`` or ``gain`` say, 0 dB where neither is given; ``None`` with the mistakes noted."""
    key = "gain" if entry.gain is not None else "loss"
    value = getattr(entry, key)
    where = (*loc, key)
    if value is None:
        return ConstantLoss(0.0)
    if not isinstance(value, (str, dict)) or value == {}:
        message = f"a {key} is a ratio such as 0.6 dB, or a table such as {{1 GHz: 0.6 dB, 3 GHz: 1.1 dB}}"
        hint = f"write {value} dB, if that is the unit" if isinstance(value, (int, float)) else ""
        notes.add(where, message, seen=str(value), next_step=hint)
        return None
    points = _points(value, key, where, notes)
    if points is None:
        return None
    return _shaped(points, entry, loc, where, notes)


def _points(
    value: str | Mapping[str, Any], key: str, where: Loc, notes: Notes
) -> dict[float | None, float] | None:
    """Return the loss by frequency in Hz, under ``None`` where it does not depend on frequency."""
    before = len(notes.problems)
    rows = (
        [(None, value, where)] if isinstance(value, str) else [(k, v, (*where, k)) for k, v in value.items()]
    )
    points: dict[float | None, float] = {}
    for frequency, text, loc in rows:
        at = _frequency(frequency, loc, notes) if frequency is not None else None
        loss_db = _ratio(text, key, loc, notes)
        if at in points and at is not None:
            notes.add(loc, f"{frequency_text(at)} is in this table already", at_key=True)
        points[at] = -loss_db if key == "gain" else loss_db
    return points if len(notes.problems) == before else None


def _frequency(text: str, loc: Loc, notes: Notes) -> float:
    try:
        value = parse(text, Frequency).hz
    except QuantityError as error:
        notes.add(
            loc, error.message, seen=error.seen, allowed=error.allowed, next_step=error.next_step, at_key=True
        )
        return 0.0
    if value <= 0:
        notes.add(loc, "a frequency above zero is needed", seen=text, at_key=True)
    return value


def _ratio(text: Any, key: str, loc: Loc, notes: Notes) -> float:
    try:
        if not isinstance(text, str):
            raise QuantityError(f"a {key} needs its unit, such as 0.6 dB", seen=str(text))
        value = parse(text, Ratio)
    except QuantityError as error:
        notes.add_error(loc, error)
        return 0.0
    if value.unit != "dB":
        notes.add(loc, f"a {key} is in dB", seen=text)
    if value.db > MOST_DB:
        notes.add(
            loc, f"no element has a {key} of {value.db:g} dB", seen=text, allowed=f"up to {MOST_DB:g} dB"
        )
    if value.db < 0:
        other = "gain" if key == "loss" else "loss"
        notes.add(
            loc,
            f"a {key} is not negative",
            seen=text,
            allowed="0 dB or more",
            next_step=f"write loss: {-value.db:g} dB if it is a loss, or use the key `{other}` if it is one",
        )
    return value.db


def _shaped(
    points: dict[float | None, float], entry: ElementEntry, loc: Loc, where: Loc, notes: Notes
) -> Loss | None:
    if None in points:
        for key in ("law", "valid"):
            if getattr(entry, key) is not None:
                notes.add((*loc, key), f"`{key}` goes with a table over frequency", at_key=True)
        return ConstantLoss(points[None])
    table = {f: loss for f, loss in points.items() if f is not None}
    square_root = entry.law == "sqrt_f"
    if len(table) > 1:
        if entry.valid is not None:
            notes.add(
                (*loc, "valid"),
                "`valid` goes with a single frequency; a table holds between its ends",
                at_key=True,
            )
        return TableLoss.of(table, square_root=square_root)
    frequency_hz, loss_db = next(iter(table.items()))
    if not square_root or entry.valid is None:
        notes.add(
            where,
            "one frequency says nothing about any other, and nothing is extrapolated",
            next_step="give the loss at both ends of the frequencies in use; or a plain loss that holds "
            "everywhere; or, for a cable, `law: sqrt_f` with `valid: {from: ..., to: ...}`",
        )
        return None
    low, high = entry.valid.from_.hz, entry.valid.to.hz
    if not 0 < low <= frequency_hz <= high:
        notes.add(
            (*loc, "valid"), f"the range has to hold {frequency_text(frequency_hz)}, where the loss is known"
        )
        return None
    return SquareRootLoss(frequency_hz, loss_db, low_hz=low, high_hz=high)


def network_loss(entry: ElementEntry, loc: Loc, lab: Lab, folder: FilePath, notes: Notes) -> Loss | None:
    """Return the loss of a Touchstone file that lies relative to ``folder``; ``None`` with mistakes noted."""
    where = (*loc, "file")
    try:
        file = lab.data_file(str(entry.file), beside=folder)
    except PlaceError as error:
        notes.add_error(where, error)
        return None
    try:
        ports = touchstone_ports(file)
    except Exception as error:  # scikit-rf raises whatever its parser meets
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        notes.add(where, f"this file cannot be read as Touchstone: {reason}", seen=str(file))
        return None
    wanted = _ports(entry, ports, loc, notes)
    return _passive(file, wanted, entry, where, notes) if wanted else None


def _ports(entry: ElementEntry, ports: int, loc: Loc, notes: Notes) -> tuple[int, int] | None:
    wanted = entry.ports or [2, 1]
    where = (*loc, "ports" if entry.ports else "file")
    if len(wanted) != 2 or wanted[0] == wanted[1]:
        message = "two different ports are needed: where the signal leaves, then where it enters"
        notes.add(where, message, seen=str(wanted), allowed="[2, 1] for S21")
        return None
    if not all(1 <= port <= ports for port in wanted):
        message = (
            f"this network has {ports} port{'' if ports == 1 else 's'}, S{wanted[0]}{wanted[1]} is not in it"
        )
        notes.add(
            where,
            message,
            seen=str(wanted),
            allowed=f"ports 1 to {ports}" if ports > 1 else "a network of two ports or more",
        )
        return None
    return wanted[0], wanted[1]


def _passive(
    file: FilePath, ports: tuple[int, int], entry: ElementEntry, where: Loc, notes: Notes
) -> Loss | None:
    try:
        loss = touchstone_loss(file, to_port=ports[0], from_port=ports[1])
    except ValueError as error:
        notes.add(where, f"this network cannot be used: {error}", seen=str(file))
        return None
    gain_db = -float(loss.loss_db.min())
    if gain_db > PASSIVE_GAIN_DB and not entry.active:
        notes.add(
            where,
            f"this network has up to {gain_db:.2f} dB of gain",
            seen=str(file),
            next_step="check the file and its ports; if it is an amplifier write `active: true`",
        )
        return None
    return loss
