"""Reads a bench file: models first, then everything that pydantic cannot see, then the bench itself."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path as FilePath
from typing import cast

from hilkit.bench.accuracy import ACCURACY_KEYS, figure_of
from hilkit.bench.calibrated import check_planes, read_calibrations
from hilkit.bench.correlations import figures_of, read_correlations
from hilkit.bench.elements import Surroundings, build_path
from hilkit.bench.interlock_entries import read_interlocks
from hilkit.bench.model import BenchFile, InstrumentEntry, RadioEntry, RatingEntry
from hilkit.bench.path import Path, frequency_text
from hilkit.bench.receive import read_receive_paths
from hilkit.bench.reflection import PortReflection, of_vswr
from hilkit.bench.routes import check_routes
from hilkit.bench.spec import DEFAULT_MARGIN_DB, Bench, InstrumentSpec, RadioSpec, RampSpec
from hilkit.bench.supplies import check_off_level, read_second_means, read_supplies
from hilkit.bench.watch import watch_of
from hilkit.errors import FileProblems, HilkitError
from hilkit.files import Document, Lab, Loc, load
from hilkit.files.kind import refuse_other
from hilkit.files.notes import Notes, did_you_mean, listed
from hilkit.files.salvage import sound_parts
from hilkit.instruments import Dialect, ResourceProblem, check_resource, load_dialect
from hilkit.quantities import Level

__all__ = ["load_bench", "read_bench"]

RADIO = "radio"
"""Name under which the radio appears among the instruments, in messages and in the transcript."""

ANALYSER = "signal_analyser"
METER = "power_meter"


def load_bench(where: FilePath | str, lab: Lab) -> Bench:
    """Return the bench that a file describes; a text without a folder is looked up by name in the lab.

    Raises ``FileProblems`` with every mistake of the file at once.
    """
    file = lab.find("bench", where, relative_to=None) if isinstance(where, str) else where
    return read_bench(load(file), lab)


def read_bench(document: Document, lab: Lab) -> Bench:
    """Return the bench of a document that has been read; see ``load_bench``."""
    refuse_other(document, "bench")
    entry, mistakes = sound_parts(document, BenchFile)
    notes = Notes(document)
    notes.problems.extend(mistakes)
    folder = FilePath(document.path).parent
    instruments = _instruments(entry, notes, lab)
    # Of a file with mistakes only the sound parts are here; the radio may be missing then.
    radio_given = cast("RadioEntry | None", entry.radio)
    radio_spec = _radio_spec(radio_given, notes, lab) if radio_given is not None else None
    _check_addresses((*instruments.values(), *([radio_spec] if radio_spec else [])), notes)
    classes = dict.fromkeys(_names(document, "instruments"), "")
    classes |= {name: spec.instrument_class for name, spec in instruments.items()}
    around = Surroundings(
        classes=classes,
        lab=lab,
        folder=folder,
        instruments=instruments,
        source=of_vswr(radio_given.accuracy, "radio") if radio_given is not None else None,
        load=_analyser_reflection(instruments),
    )
    built = {name: build_path(name, entries, around, notes) for name, entries in (entry.paths or {}).items()}
    paths = {name: path for name, path in built.items() if path is not None}
    radio = _radio(entry.radio, radio_spec, _names(document, "paths"), notes) if radio_spec else None
    if len(paths) == len(_names(document, "paths")):
        _check_ratings(entry, paths, _sensors(instruments), notes)
        if not notes.problems:
            read_calibrations(entry, paths, notes, lab)
    check_routes(paths, entry.paths or {}, notes)
    # A mistake in an instrument or a path would be told again as a plane that is not there.
    planes = {} if notes.problems else check_planes(entry, _planes(instruments, paths), notes, lab)
    told = {**instruments, **({RADIO: radio_spec} if radio_spec else {})}
    interlocks = read_interlocks(entry.interlocks or {}, told, tuple(radio.channels) if radio else (), notes)
    _check_hot_switching(entry, told, notes)
    rails = read_supplies(entry.supplies or (), instruments, notes)
    channels = radio.channels if radio is not None else ()
    second_means = read_second_means(entry.second_means or (), instruments, channels, rails, notes)
    if entry.radio is not None and entry.off_level is not None:
        check_off_level(entry.off_level, entry.radio.max_level, notes)
    # A mistake in an instrument or a path would be told again as a figure that is not there.
    house = figure_of(entry.reference_accuracy, "bench file: reference accuracy")
    figures = {} if notes.problems else figures_of(instruments, paths)
    figures |= {} if house is None else {"reference_accuracy": house.source}
    stated = () if notes.problems else read_correlations(entry.correlations, figures, notes)
    receive_paths = read_receive_paths(
        entry.receive_paths or {},
        instruments,
        radio.channels if radio is not None else {},
        entry.ratings or {},
        notes,
    )
    _check_rest(entry, notes, lab, folder)
    watch = watch_of(entry.watchdog, notes)
    if notes.problems or radio is None or radio_spec is None:
        raise FileProblems(notes.in_order())
    return Bench(
        name=entry.bench,
        file=FilePath(document.path),
        text=document.text,
        instruments=instruments,
        radio=radio,
        radio_spec=radio_spec,
        paths=paths,
        ratings={node: _average(rating).dbm for node, rating in entry.ratings.items()},
        peak_ratings={
            node: rating.peak.dbm for node, rating in entry.ratings.items() if isinstance(rating, RatingEntry)
        },
        margin_db=DEFAULT_MARGIN_DB if entry.margin is None else entry.margin.db,
        reference=next((item.reference for item in entry.instruments.values() if item.reference), "external"),
        simulation=entry.simulation,
        reference_accuracy=house,
        calibration_days=entry.calibration_days,
        calibration_policy=entry.calibration_policy,
        planes=planes,
        correlations=stated,
        watch=watch,
        interlocks=interlocks,
        ramp=_ramp(entry),
        hot_switching=frozenset(entry.hot_switching),
        rails=rails,
        second_means=second_means,
        receive_paths=receive_paths,
        off_level_dbm=None if entry.off_level is None else entry.off_level.dbm,
    )


def _ramp(entry: BenchFile) -> RampSpec:
    given = (
        {} if entry.ramp is None else {name: getattr(entry.ramp, name) for name in ("step", "above", "below")}
    )
    return RampSpec(**{f"{name}_db": ratio.db for name, ratio in given.items() if ratio is not None})


def _check_hot_switching(entry: BenchFile, instruments: Mapping[str, InstrumentSpec], notes: Notes) -> None:
    moving = ("step_attenuator", "switch_matrix", RADIO)
    names = [name for name, spec in instruments.items() if spec.instrument_class in (*moving, "")]
    for number, name in enumerate(entry.hot_switching or ()):
        if name not in names:
            notes.add(
                ("hot_switching", number),
                f"{name!r} is nothing that moves under RF",
                allowed=listed(names),
                next_step=did_you_mean(name, names),
            )


def _names(document: Document, key: str) -> list[str]:
    """Return the names under a key, whether what they stand for is sound or not."""
    part = document.data.get(key)
    return list(part) if isinstance(part, dict) else []


def _instruments(entry: BenchFile, notes: Notes, lab: Lab) -> dict[str, InstrumentSpec]:
    specs: dict[str, InstrumentSpec] = {}
    for name, item in (entry.instruments or {}).items():
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
            enr=tuple(sorted((hz.hz, db.db) for hz, db in (item.enr or {}).items())),
            cold_c=23.0 if item.cold is None else item.cold.celsius,
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
    _check_noise(name, item, its_class, notes)
    if its_class == ANALYSER and first is not None:
        notes.add(loc, f"a second analyser besides {first!r}", allowed="one per bench", at_key=True)


def _check_noise(name: str, item: InstrumentEntry, its_class: str, notes: Notes) -> None:
    loc: Loc = ("instruments", name)
    if its_class == "noise_source" and not item.enr:
        hint = "add enr: {1 GHz: 15.2 dB, 2 GHz: 15.1 dB} from its calibration certificate"
        notes.add(loc, "a noise source needs its excess noise ratio over frequency, `enr`", next_step=hint)
    for key in ("enr", "cold"):
        if getattr(item, key) is not None and its_class not in ("noise_source", ""):
            notes.add((*loc, key), f"only a noise source has `{key}`", at_key=True)


def _radio_spec(entry: RadioEntry, notes: Notes, lab: Lab) -> InstrumentSpec:
    dialect = _dialect(entry.driver, (RADIO, "driver"), notes, lab)
    if dialect is not None and dialect.instrument_class != RADIO:
        words = dialect.instrument_class.replace("_", " ")
        notes.add((RADIO, "driver"), f"{entry.driver} is the driver of a {words}, not of a radio")
    if entry.resource is not None and entry.command is not None:
        message = "the radio has both `resource` and `command`"
        notes.add((RADIO, "command"), message, next_step="delete one of both", at_key=True)
    elif entry.resource is None and entry.command is None:
        message = "the radio needs `resource` or `command`"
        hint = "add resource: TCPIP::192.168.1.30::5030::SOCKET, or command: [program, argument]"
        notes.add((RADIO,), message, next_step=hint, at_key=True)
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


def _radio(radio: RadioEntry, spec: InstrumentSpec, paths: Sequence[str], notes: Notes) -> RadioSpec:
    dialect = cast("Dialect | None", spec.dialect)
    carrier = dialect.capabilities.get("carrier") if dialect is not None else None
    limits = carrier.limits if carrier is not None else None
    for number, band in enumerate(radio.frequency):
        if not 0 < band.from_.hz <= band.to.hz:
            notes.add(
                (RADIO, "frequency", number),
                f"{band.from_} to {band.to} is no range",
                allowed="from below to",
            )
        elif limits is not None and not (limits.hold(band.from_.hz) and limits.hold(band.to.hz)):
            reach = [frequency_text(edge) for edge in (limits.minimum, limits.maximum) if edge]
            notes.add(
                (RADIO, "frequency", number),
                f"the driver {radio.driver} does not tune over {band.from_} to {band.to}",
                allowed=" to ".join(reach),
            )
    if not radio.frequency:
        example = "[{from: 1805 MHz, to: 1880 MHz}]"
        notes.add((RADIO, "frequency"), "at least one range of carriers is needed", allowed=example)
    lowest_hz = min((band.from_.hz for band in radio.frequency), default=math.inf)
    if radio.bandwidth.hz <= 0:
        notes.add((RADIO, "bandwidth"), "a bandwidth above zero is needed", seen=str(radio.bandwidth))
    elif radio.bandwidth.hz >= 2 * lowest_hz:
        message = f"this bandwidth around the lowest carrier, {frequency_text(lowest_hz)}, reaches below 0 Hz"
        notes.add((RADIO, "bandwidth"), message, seen=str(radio.bandwidth))
    return RadioSpec(
        channels=_channels(radio, paths, notes),
        max_level_dbm=radio.max_level.dbm,
        bands_hz=tuple((band.from_.hz, band.to.hz) for band in radio.frequency),
        bandwidth_hz=radio.bandwidth.hz,
        papr_db=None if radio.papr is None else radio.papr.db,
    )


def _channels(radio: RadioEntry, paths: Sequence[str], notes: Notes) -> dict[int, str]:
    channels: dict[int, str] = {}
    before = len(notes.problems)
    for text, path in radio.channels.items():
        loc: Loc = (RADIO, "channels", text)
        if not text.isdecimal():
            notes.add(loc, "a channel is a whole number", seen=text, allowed="{1: tx1, 2: tx2}", at_key=True)
            continue
        if path not in paths:
            message = f"channel {text} has no path: there is no path {path!r}"
            notes.add(loc, message, allowed=listed(paths), next_step=did_you_mean(path, paths))
        elif path in channels.values():
            notes.add(
                loc,
                f"path {path} already belongs to another channel",
                next_step="describe a path for each channel",
            )
        channels[int(text)] = path
    if not radio.channels:
        notes.add((RADIO, "channels"), "at least one channel is needed", allowed="{1: tx1, 2: tx2}")
    spare = [path for path in paths if path not in channels.values()]
    for path in spare if len(notes.problems) == before else ():
        hint = "give it to a channel under radio, channels"
        notes.add(
            ("paths", path), f"path {path} belongs to no channel of the radio", next_step=hint, at_key=True
        )
    return channels


def _sensors(instruments: Mapping[str, InstrumentSpec]) -> tuple[str, ...]:
    """Return the names of the sensors of all power meters, as ``ratings`` has them."""
    return tuple(f"{name} sensor" for name, spec in instruments.items() if spec.instrument_class == METER)


def _planes(instruments: Mapping[str, InstrumentSpec], paths: Iterable[str]) -> tuple[str, ...]:
    """Return the planes at which a person may connect something."""
    ends = {ANALYSER: "input", "signal_generator": "output"}
    own = (
        f"{name} {ends[spec.instrument_class]}"
        for name, spec in instruments.items()
        if spec.instrument_class in ends
    )
    return (*(f"{name} port" for name in paths), *own)


def _check_ratings(
    entry: BenchFile, paths: Mapping[str, Path], sensors: tuple[str, ...], notes: Notes
) -> None:
    nodes = list(dict.fromkeys(node for path in paths.values() for node in path.nodes))
    _check_peaks(entry, tuple(nodes), notes)
    nodes += [*sensors, *(each.port for each in (entry.receive_paths or {}).values())]
    for node in entry.ratings:
        if node not in nodes:
            message = f"no path has a node {node!r}"
            hint = did_you_mean(node, nodes)
            notes.add(("ratings", node), message, allowed=listed(nodes), next_step=hint, at_key=True)


def _average(rating: Level | RatingEntry) -> Level:
    return rating.average if isinstance(rating, RatingEntry) else rating


def _check_peaks(entry: BenchFile, reached: Collection[str], notes: Notes) -> None:
    """A peak rating says nothing while nobody knows how far peaks reach above the average."""
    for node, rating in entry.ratings.items():
        if not isinstance(rating, RatingEntry):
            continue
        if rating.peak.dbm < rating.average.dbm:
            message = f"a peak of {rating.peak} lies below the average of {rating.average}"
            notes.add(("ratings", node, "peak"), message, allowed=f"{rating.average} or more")
        elif node in reached and entry.radio is not None and entry.radio.papr is None:
            notes.add(
                ("ratings", node, "peak"),
                "a peak rating, but nobody has said how far the peaks of the radio reach above its average",
                next_step="add papr under radio, such as papr: 12 dB, or rate the node by its average alone",
            )


def _check_rest(entry: BenchFile, notes: Notes, lab: Lab, folder: FilePath) -> None:
    if entry.margin is not None and entry.margin.db < 0:
        notes.add(("margin",), "a margin is not negative", seen=str(entry.margin), allowed="0 dB or more")
    elif entry.margin is not None and entry.margin.unit != "dB":
        hint = f"write {entry.margin.db:g} dB"
        notes.add(("margin",), "a margin is in dB", seen=str(entry.margin), next_step=hint)
    if entry.simulation is not None:
        try:
            lab.find("profile", entry.simulation, relative_to=folder)
        except HilkitError as error:
            notes.add_error(("simulation",), error)
