"""Reads a bench file: models first, then everything that pydantic cannot see, then the bench itself."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import cast

from hilkit.bench.accuracy import ACCURACY_KEYS, figure_of
from hilkit.bench.elements import Surroundings, build_path
from hilkit.bench.model import BenchFile, InstrumentEntry, RadioEntry
from hilkit.bench.path import Path
from hilkit.bench.reflection import PortReflection, of_vswr
from hilkit.bench.spec import DEFAULT_MARGIN_DB, Bench, InstrumentSpec, RadioSpec
from hilkit.errors import FileProblems, HilkitError
from hilkit.files import Document, Lab, Loc, load, validate
from hilkit.files.notes import Notes, did_you_mean, listed
from hilkit.instruments import Dialect, ResourceProblem, check_resource, load_dialect

__all__ = ["load_bench", "read_bench"]

RADIO = "radio"
"""Name under which the radio appears among the instruments, in messages and in the transcript."""

ANALYSER = "signal_analyser"


def load_bench(where: FilePath | str, lab: Lab) -> Bench:
    """Return the bench that a file describes; a text without a folder is looked up by name in the lab.

    Raises ``FileProblems`` with every mistake of the file at once.
    """
    file = lab.find("bench", where, relative_to=None) if isinstance(where, str) else where
    return read_bench(load(file), lab)


def read_bench(document: Document, lab: Lab) -> Bench:
    """Return the bench of a document that has been read; see ``load_bench``."""
    entry = validate(document, BenchFile)
    notes = Notes(document)
    folder = FilePath(document.path).parent
    instruments = _instruments(entry, notes, lab)
    radio_spec = _radio_spec(entry.radio, notes, lab)
    _check_addresses((*instruments.values(), radio_spec), notes)
    classes = {name: spec.instrument_class for name, spec in instruments.items()}
    around = Surroundings(
        classes=classes,
        lab=lab,
        folder=folder,
        instruments=instruments,
        source=of_vswr(entry.radio.accuracy, "radio"),
        load=_analyser_reflection(instruments),
    )
    built = {name: build_path(name, entries, around, notes) for name, entries in entry.paths.items()}
    paths = {name: path for name, path in built.items() if path is not None}
    radio = _radio(entry, notes)
    if len(paths) == len(built):
        _check_ratings(entry, paths, notes)
    _check_rest(entry, notes, lab, folder)
    if notes.problems:
        raise FileProblems(sorted(notes.problems, key=lambda problem: (problem.line, problem.column)))
    return Bench(
        name=entry.bench,
        file=FilePath(document.path),
        text=document.text,
        instruments=instruments,
        radio=radio,
        radio_spec=radio_spec,
        paths=paths,
        ratings={node: level.dbm for node, level in entry.ratings.items()},
        margin_db=DEFAULT_MARGIN_DB if entry.margin is None else entry.margin.db,
        reference=next((item.reference for item in entry.instruments.values() if item.reference), "external"),
        simulation=entry.simulation,
        reference_accuracy=figure_of(entry.reference_accuracy, "bench file: reference accuracy"),
    )


def _instruments(entry: BenchFile, notes: Notes, lab: Lab) -> dict[str, InstrumentSpec]:
    specs: dict[str, InstrumentSpec] = {}
    for name, item in entry.instruments.items():
        dialect = _dialect(item.driver, ("instruments", name, "driver"), notes, lab)
        its_class = dialect.instrument_class if dialect is not None else ""
        before = len(notes.problems)
        _check_role(name, item, its_class, specs, notes)
        specs[name] = InstrumentSpec(
            name=name,
            driver=item.driver,
            # Once its class is found wrong, what refers to it is not told so again.
            instrument_class=its_class if len(notes.problems) == before else "",
            dialect=cast("Dialect", dialect),
            resource=_resource(item.resource, ("instruments", name, "resource"), notes),
            model=item.model,
            serial=item.serial,
            calibration_due=item.calibration_due,
            accuracy=item.accuracy,
        )
        _check_accuracy(name, item, its_class, notes)
    return specs


def _check_accuracy(name: str, item: InstrumentEntry, its_class: str, notes: Notes) -> None:
    allowed = ACCURACY_KEYS.get(its_class)
    if item.accuracy is None or allowed is None:
        return
    for key in sorted(item.accuracy.model_fields_set):
        if key not in allowed:
            words = its_class.replace("_", " ")
            where = ("instruments", name, "accuracy", key)
            notes.add(where, f"`{key}` does not go with a {words}", allowed=listed(allowed), at_key=True)


def _analyser_reflection(instruments: Mapping[str, InstrumentSpec]) -> PortReflection | None:
    analyser = next((spec for spec in instruments.values() if spec.instrument_class == ANALYSER), None)
    return of_vswr(analyser.accuracy, analyser.name) if analyser is not None else None


def _check_role(
    name: str, item: InstrumentEntry, its_class: str, others: Mapping[str, InstrumentSpec], notes: Notes
) -> None:
    loc: Loc = ("instruments", name)
    if name == RADIO:
        hint = "describe the radio under the key `radio` of the file, and name other instruments otherwise"
        notes.add(loc, f"{RADIO!r} is the name of the radio itself", next_step=hint, at_key=True)
    elif its_class == RADIO:
        message = f"{item.driver} is the driver of a radio"
        notes.add((*loc, "driver"), message, next_step="describe it under the key `radio` of the file")
    if item.reference is not None and its_class not in (ANALYSER, ""):
        notes.add((*loc, "reference"), "only an analyser has `reference` here", at_key=True)
    first = next((other.name for other in others.values() if other.instrument_class == ANALYSER), None)
    if its_class == ANALYSER and first is not None:
        notes.add(loc, f"a second analyser besides {first!r}", allowed="one per bench", at_key=True)


def _radio_spec(entry: RadioEntry, notes: Notes, lab: Lab) -> InstrumentSpec:
    dialect = _dialect(entry.driver, (RADIO, "driver"), notes, lab)
    if dialect is not None and dialect.instrument_class != RADIO:
        words = dialect.instrument_class.replace("_", " ")
        notes.add((RADIO, "driver"), f"{entry.driver} is the driver of a {words}, not of a radio")
    if (entry.resource is None) == (entry.command is None):
        notes.add(
            (RADIO,),
            "the radio needs either `resource` or `command`",
            next_step="give one of both",
            at_key=True,
        )
    if entry.command is not None and not all(entry.command or [""]):
        message = "a program and its arguments are needed, as a list"
        notes.add((RADIO, "command"), message, allowed="a list such as [ssh, radio, console]")
    return InstrumentSpec(
        name=RADIO,
        driver=entry.driver,
        instrument_class=RADIO,
        dialect=cast("Dialect", dialect),
        resource=_resource(entry.resource, (RADIO, "resource"), notes) if entry.resource is not None else "",
        command=tuple(entry.command or ()),
        model=entry.model,
        serial=entry.serial,
    )


def _dialect(driver: str, loc: Loc, notes: Notes, lab: Lab) -> Dialect | None:
    try:
        return load_dialect(driver, lab)
    except FileProblems as error:  # mistakes in the driver file have places of their own
        notes.problems.extend(error.problems)
    except HilkitError as error:
        notes.add_error(loc, error)
    return None


def _resource(text: str, loc: Loc, notes: Notes) -> str:
    try:
        return check_resource(text)
    except ResourceProblem as error:
        notes.add(loc, error.problem, seen=error.seen, next_step=f"write {error.write}")
        return text


def _check_addresses(specs: tuple[InstrumentSpec, ...], notes: Notes) -> None:
    seen: dict[str, str] = {}
    for spec in specs:
        if spec.address and spec.address in seen:
            loc: Loc = (RADIO,) if spec.name == RADIO else ("instruments", spec.name)
            notes.add(
                (*loc, "resource"), f"{seen[spec.address]!r} already has this resource", seen=spec.address
            )
        seen.setdefault(spec.address, spec.name)


def _radio(entry: BenchFile, notes: Notes) -> RadioSpec:
    radio = entry.radio
    for number, band in enumerate(radio.frequency):
        if not 0 < band.from_.hz <= band.to.hz:
            notes.add(
                (RADIO, "frequency", number),
                f"{band.from_} to {band.to} is no range",
                allowed="from below to",
            )
    if not radio.frequency:
        example = "[{from: 1805 MHz, to: 1880 MHz}]"
        notes.add((RADIO, "frequency"), "at least one range of carriers is needed", allowed=example)
    if radio.bandwidth.hz <= 0:
        notes.add((RADIO, "bandwidth"), "a bandwidth above zero is needed", seen=str(radio.bandwidth))
    return RadioSpec(
        channels=_channels(entry, notes),
        max_level_dbm=radio.max_level.dbm,
        bands_hz=tuple((band.from_.hz, band.to.hz) for band in radio.frequency),
        bandwidth_hz=radio.bandwidth.hz,
    )


def _channels(entry: BenchFile, notes: Notes) -> dict[int, str]:
    channels: dict[int, str] = {}
    before = len(notes.problems)
    for text, path in entry.radio.channels.items():
        loc: Loc = (RADIO, "channels", text)
        if not text.isdecimal():
            notes.add(loc, "a channel is a whole number", seen=text, allowed="{1: tx1, 2: tx2}", at_key=True)
            continue
        if path not in entry.paths:
            message = f"channel {text} has no path: there is no path {path!r}"
            notes.add(loc, message, allowed=listed(entry.paths), next_step=did_you_mean(path, entry.paths))
        elif path in channels.values():
            notes.add(
                loc,
                f"path {path} already belongs to another channel",
                next_step="describe a path for each channel",
            )
        channels[int(text)] = path
    if not entry.radio.channels:
        notes.add((RADIO, "channels"), "at least one channel is needed", allowed="{1: tx1, 2: tx2}")
    spare = [path for path in entry.paths if path not in channels.values()]
    for path in spare if len(notes.problems) == before else ():
        hint = "give it to a channel under radio, channels"
        notes.add(
            ("paths", path), f"path {path} belongs to no channel of the radio", next_step=hint, at_key=True
        )
    return channels


def _check_ratings(entry: BenchFile, paths: Mapping[str, Path], notes: Notes) -> None:
    nodes = list(dict.fromkeys(node for path in paths.values() for node in path.nodes))
    for node in entry.ratings:
        if node not in nodes:
            message = f"no path has a node {node!r}"
            hint = did_you_mean(node, nodes)
            notes.add(("ratings", node), message, allowed=listed(nodes), next_step=hint, at_key=True)


def _check_rest(entry: BenchFile, notes: Notes, lab: Lab, folder: FilePath) -> None:
    if entry.margin is not None and entry.margin.db < 0:
        notes.add(("margin",), "a margin is not negative", seen=str(entry.margin), allowed="0 dB or more")
    if entry.simulation is not None:
        try:
            lab.find("profile", entry.simulation, relative_to=folder)
        except HilkitError as error:
            notes.add_error(("simulation",), error)
