"""The calibrations that a bench file names: read, checked against the bench, handed to their paths."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path as FilePath

from hilkit.bench.accuracy import AccuracyFigure, figure_of
from hilkit.bench.calibration import CalibrationFile, PathCalibration, content_problems
from hilkit.bench.model import BenchFile
from hilkit.bench.path import Path
from hilkit.errors import FileProblems, HilkitError
from hilkit.files import Document, Lab, load, validate
from hilkit.files.notes import Notes, did_you_mean, listed

__all__ = ["PlaneSpec", "check_planes", "read_calibrations"]


@dataclass(frozen=True, kw_only=True)
class PlaneSpec:
    """A plane at which a person connects something: words and a photo that show it, how well it repeats."""

    text: str = ""
    photo: str = ""
    repeatability: AccuracyFigure | None = None


def read_calibrations(entry: BenchFile, paths: Mapping[str, Path], notes: Notes, lab: Lab) -> None:
    """Read every calibration that the bench file names and give it to its path; mistakes go to ``notes``."""
    if entry.calibrations and entry.calibration_policy is None:
        message = "`calibrations` needs to be told what happens where one is missing, stale or too narrow"
        next_step = "add calibration_policy: refuse, or warn"
        notes.add(("calibrations",), message, next_step=next_step, at_key=True)
    if entry.calibration_days is not None and entry.calibration_policy is None:
        message = "an age limit without a policy does nothing"
        next_step = "add calibration_policy: refuse, or warn"
        notes.add(("calibration_days",), message, next_step=next_step, at_key=True)
    taken: dict[tuple[str, float], str] = {}
    for number, file in enumerate(entry.calibrations):
        where = ("calibrations", number)
        found = _read(file, where, notes, lab)
        if found is None:
            continue
        document, said = found
        before = len(notes.problems)
        _check(said, document, paths, notes)
        serials = {name: item.serial for name, item in entry.instruments.items()}
        _check_serials(said, document, paths, serials, notes)
        calibration = PathCalibration.of(said, document.path)
        state = (said.calibration, calibration.pad_db)
        if state in taken:
            pad = f" with the pad at {calibration.pad_db:g} dB" if said.pad is not None else ""
            message = f"a second calibration of path {said.calibration}{pad}: {taken[state]} is one already"
            notes.add(where, message, seen=file, next_step="keep one of both, the newer as a rule")
        taken.setdefault(state, file)
        if len(notes.problems) == before:
            falls_back = entry.calibration_policy == "warn"
            paths[said.calibration].add_calibration(calibration, falls_back=falls_back)


def _read(
    file: str, where: tuple[str | int, ...], notes: Notes, lab: Lab
) -> tuple[Document, CalibrationFile] | None:
    try:
        document = load(lab.data_file(file, beside=notes.document.path.parent))
        keys = document.data if isinstance(document.data, dict) else {}
        if "calibration" not in keys:
            message = "this is no calibration of a path"
            next_step = "name a file that path_calibration wrote"
            notes.add(
                where,
                message,
                seen=file,
                allowed="a file whose first key is calibration",
                next_step=next_step,
            )
            return None
        said = validate(document, CalibrationFile)
    except FileProblems as error:  # mistakes in that file have places of their own
        notes.problems.extend(error.problems)
    except HilkitError as error:
        notes.add_error(where, error)
    else:
        problems = content_problems(document, said)
        notes.problems.extend(problems)
        return None if problems else (document, said)
    return None


def _check(said: CalibrationFile, document: Document, paths: Mapping[str, Path], notes: Notes) -> None:
    """Compare with the bench: its paths, the positions of its switches, its pad."""
    path = paths.get(said.calibration)
    add = notes.problems.append
    if path is None:
        message = f"the bench has no path {said.calibration!r}"
        hint = did_you_mean(said.calibration, paths)
        add(document.problem(("calibration",), message, allowed=listed(paths), next_step=hint))
        return
    wanted = {switch: sorted(close) for switch, close in path.switch_positions.items()}
    closed = {switch: sorted(close) for switch, close in said.switches.items()}
    if wanted != closed:
        message = f"path {path.name} has its switches elsewhere in the bench file"
        seen, allowed = _positions(closed), _positions(wanted)
        next_step = "calibrate the path as it is now, or correct the bench file"
        add(document.problem(("switches",), message, seen=seen, allowed=allowed, next_step=next_step))
    if (said.pad is None) != (path.pad_instrument is None):
        has = "no step attenuator" if said.pad is not None else "a step attenuator: its setting is needed"
        add(document.problem(("pad",), f"path {path.name} has {has}"))


def _check_serials(
    said: CalibrationFile,
    document: Document,
    paths: Mapping[str, Path],
    serials: Mapping[str, str | None],
    notes: Notes,
) -> None:
    """A step attenuator or switch that was exchanged since makes it another path."""
    path = paths.get(said.calibration)
    for name in path.instruments if path is not None else ():
        used, serial = said.instruments.get(name), serials.get(name)
        if used is not None and serial and used.serial != serial:
            notes.problems.append(
                document.problem(
                    ("instruments", name),
                    f"path {said.calibration} was calibrated with another {name} in it than there is now",
                    seen=used.serial,
                    allowed=serial,
                    next_step="calibrate the path as it is now, or correct the bench file",
                )
            )


def _positions(closed: Mapping[str, list[int]]) -> str:
    return listed((f"{switch} {channels}" for switch, channels in closed.items()), nothing="no switch")


def check_planes(entry: BenchFile, planes: tuple[str, ...], notes: Notes, lab: Lab) -> dict[str, PlaneSpec]:
    """Return the planes that the bench file describes."""
    folder = FilePath(notes.document.path).parent
    found: dict[str, PlaneSpec] = {}
    for name, plane in entry.planes.items():
        if name not in planes:
            hint = did_you_mean(name, planes)
            message = "there is no such plane"
            notes.add(("planes", name), message, allowed=listed(planes), next_step=hint, at_key=True)
        if plane.photo:
            try:
                lab.data_file(plane.photo, beside=folder)
            except HilkitError as error:
                notes.add_error(("planes", name, "photo"), error)
        found[name] = PlaneSpec(
            text=plane.text,
            photo=str(folder / plane.photo) if plane.photo else "",
            repeatability=figure_of(plane.repeatability, f"bench file: {name} repeatability"),
        )
    return found
