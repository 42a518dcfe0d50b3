"""What makes the loss of a path doubtful: each element's own uncertainty, and mismatch between reflections.

A reflection at the output of one element and one at the input of a later element let a part of the wave run
back and forth between them. Their product, less twice the loss in between, is the limit of what this adds to
the level; the phase is unknown. Every pair along the path counts, not only the two ends that touch: behind a
relay of 0.3 dB the next reflection is nearly as large as its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from hilkit.bench.calibration import PathCalibration
from hilkit.bench.path import Element, Path
from hilkit.bench.reflection import PortReflection
from hilkit.judgement.mismatch import Knowledge, Reflection, mismatch_line
from hilkit.readings import BudgetLine, Distribution

__all__ = ["Interface", "interfaces", "mismatch_lines", "missing_line", "path_lines", "reflection_of"]

RADIO, ANALYSER = "radio", "analyser"
"""What the two ends of a path are called among what reflects."""

_OWN_LINE_DB = 0.01
"""A pair of reflections with other elements in between gets a line of its own from this standard uncertainty
on; all smaller ones share a line."""


@dataclass(frozen=True, kw_only=True)
class Interface:
    """Two reflections that face each other, ``between_db`` of loss apart.

    ``before`` and ``behind`` name what reflects. ``length_m`` is the electrical length over which the ripple
    repeats, with what lies inside the two that reflect: as far as a measured phase says; else nothing behind
    the second plane, and all of the element in front, as its reflection may come from its far end. ``None``
    where one of the elements does not state its length.
    """

    before: str
    behind: str
    first: PortReflection
    second: PortReflection
    between_db: float
    length_m: float | None
    touching: bool
    crossed: tuple[Element, ...] = ()


def missing_line(quantity: str, source: str, *, unit: str = "dB", shared: str = "") -> BudgetLine:
    """Return the line of a part that nobody has given a figure for."""
    return BudgetLine(
        quantity=quantity,
        estimate=0.0,
        unit=unit,
        standard=0.0,
        distribution=Distribution.RECTANGULAR,
        divisor=1.0,
        source=source,
        shared=shared,
        stated=False,
    )


def path_lines(
    path: Path, frequency_hz: float, *, pad_db: float, near: str, near_hz: float | None = None
) -> tuple[BudgetLine, ...]:
    """Return all lines of a path's loss at a frequency, in dB.

    ``near`` names the range of frequencies over which the error of an element's loss counts as one and the
    same, such as ``1.8425 GHz``: readings with the same text share it. ``near_hz`` is its middle, at which
    the length of a ripple is taken (see ``interfaces``).
    """
    calibration = path.calibration(frequency_hz, pad_db=pad_db)
    if calibration is not None:
        return tuple(_calibrated_lines(path, calibration, frequency_hz, pad_db, near, near_hz))
    elements = (line for e in path.elements for line in _element_lines(path, e, pad_db, near))
    pairs = list(interfaces(path, frequency_hz, pad_db=pad_db, near_hz=near_hz))
    return (*elements, *mismatch_lines(path, pairs, frequency_hz))


def _calibrated_lines(
    path: Path,
    calibration: PathCalibration,
    frequency_hz: float,
    pad_db: float,
    near: str,
    near_hz: float | None,
) -> Iterator[BudgetLine]:
    """Yield what is left to doubt once the path was measured as a whole.

    That is the calibration itself, the loss between its points, contacts that move since, the pad at another
    setting, and the mismatch to the radio and to what a power meter stood for.
    """
    name = f"path {path.name}: calibration of {calibration.date}"
    common, local = calibration.uncertainty_db(frequency_hz)
    yield _normal("calibration", common, f"{calibration.file}, common to its points", f"{name} near {near}")
    own = _normal("calibration, this point", local, f"{calibration.file}, each point alone", name)
    yield replace(own, frequency_hz=frequency_hz)
    for sentence in calibration.missing:
        yield missing_line("calibration", f"{calibration.file}: {sentence}", shared=name)
    ripples = [
        (_mismatch_line(path, pair, frequency_hz).half_width or 0.0, pair.length_m)
        for pair in interfaces(path, frequency_hz, pad_db=calibration.pad_db, near_hz=near_hz)
        if _met(pair, calibration)
    ]
    limit = calibration.interpolation_db(frequency_hz, ripples)
    if limit > 0:
        source = "second difference of the calibration and ripple of its inner reflections"
        line = BudgetLine.from_half_width("between calibrated points", limit, unit="dB", source=source)
        yield replace(line, shared=f"{name}, between points", frequency_hz=frequency_hz)
    for element in path.elements:
        tag = f"path {path.name}: {element.label} near {near}"
        if element.is_pad and pad_db != calibration.pad_db:
            yield from (_setting_line(element, db, tag) for db in (pad_db, calibration.pad_db) if db > 0)
        if element.repeatability is not None:
            yield element.repeatability.line(f"contacts of {element.label}", shared=f"{tag}, contacts")
    changed = _changed(path, calibration, frequency_hz, pad_db, near_hz)
    yield from mismatch_lines(path, changed, frequency_hz)


def _changed(
    path: Path, calibration: PathCalibration, frequency_hz: float, pad_db: float, near_hz: float | None
) -> Iterator[Interface]:
    """Yield the pairs of reflections whose ripple the calibration did not meet as it is now.

    A pair inside the path was there when it was calibrated, unless the pad between both stood elsewhere: then
    what it did at the lower of both settings is in doubt.
    """
    moved = pad_db != calibration.pad_db
    for pair in interfaces(path, frequency_hz, pad_db=min(pad_db, calibration.pad_db), near_hz=near_hz):
        if not _met(pair, calibration) or (moved and any(element.is_pad for element in pair.crossed)):
            yield pair


def _met(pair: Interface, calibration: PathCalibration) -> bool:
    """Whether both reflections were in place when the path was calibrated."""
    return pair.before != RADIO and (pair.behind != ANALYSER or calibration.sensor == "signal_analyser")


def _normal(quantity: str, standard: float, source: str, shared: str) -> BudgetLine:
    return BudgetLine(
        quantity=quantity,
        estimate=0.0,
        unit="dB",
        standard=standard,
        distribution=Distribution.NORMAL,
        divisor=1.0,
        source=source,
        shared=shared,
    )


def _element_lines(path: Path, element: Element, pad_db: float, near: str) -> Iterator[BudgetLine]:
    tag = f"path {path.name}: {element.label} near {near}"
    if element.uncertainty is not None:
        yield element.uncertainty.line(f"loss of {element.label}", shared=tag)
    else:
        source = f"no uncertainty for {element.label} in the bench file"
        yield missing_line(f"loss of {element.label}", source, shared=tag)
    if element.is_pad and pad_db > 0:
        yield _setting_line(element, pad_db, tag)
    if element.repeatability is not None:
        yield element.repeatability.line(f"contacts of {element.label}", shared=f"{tag}, contacts")


def _setting_line(element: Element, pad_db: float, tag: str) -> BudgetLine:
    quantity, shared = f"setting of {element.label}", f"{tag}, at {pad_db:g} dB"
    if element.setting is None:
        source = f"no attenuation accuracy for {element.instrument} in the bench file"
        return missing_line(quantity, source, shared=shared)
    return element.setting.line(quantity, shared=shared)


def mismatch_lines(
    path: Path, pairs: Iterable[Interface], frequency_hz: float, *, ends: tuple[str, str] = (RADIO, ANALYSER)
) -> Iterator[BudgetLine]:
    """Yield the lines of pairs of reflections; many small ones share one. ``ends`` name source and load."""
    small: list[BudgetLine] = []
    pairs = list(pairs)
    for pair in pairs:
        line = _mismatch_line(path, pair, frequency_hz)
        if pair.touching or line.standard >= _OWN_LINE_DB:
            yield line
        else:
            small.append(line)
    if small:
        lengths = [pair.length_m for pair in pairs if not pair.touching]
        yield _together(path, small, lengths, frequency_hz)
    unknown = _without_reflection(path, ends)
    if unknown:
        yield missing_line("mismatch", f"no VSWR in the bench file for {', '.join(unknown)}")


def _without_reflection(path: Path, ends: tuple[str, str]) -> list[str]:
    sides = [(e.label, e.reflection_in and e.reflection_out) for e in path.elements]
    return [name for name, known in ((ends[0], path.source), *sides, (ends[1], path.load)) if known is None]


def _mismatch_line(path: Path, pair: Interface, frequency_hz: float) -> BudgetLine:
    through = "" if pair.touching else f", {pair.between_db:.2g} dB between them"
    return mismatch_line(
        reflection_of(pair.first, frequency_hz),
        reflection_of(pair.second, frequency_hz, 10 ** (-pair.between_db / 10)),
        quantity=f"mismatch {pair.before} - {pair.behind}",
        source=f"{pair.first.source}, {pair.second.source}{through}",
        shared=f"path {path.name}: mismatch {pair.before} - {pair.behind}",
        frequency_hz=frequency_hz,
        length_m=pair.length_m,
    )


def _together(
    path: Path, small: list[BudgetLine], lengths: list[float | None], frequency_hz: float
) -> BudgetLine:
    """Return one line for many small ripples, whose sum is nearly normal (JCGM 100, G.2.1).

    Its length is the root mean square of ``lengths``, those of all pairs with elements between them: as long
    as a ripple turns little between two frequencies, its change goes with the square of its length. Long ways
    are the ones of much loss and small ripples, so that this errs to the safe side. Which of the pairs are
    small does not enter: it depends on the frequency, and two readings have to state the same length.
    """
    known = [length for length in lengths if length is not None]
    return BudgetLine(
        quantity="mismatch across elements",
        estimate=0.0,
        unit="dB",
        standard=math.sqrt(math.fsum(line.standard**2 for line in small)),
        distribution=Distribution.NORMAL,
        divisor=1.0,
        source=f"{len(small)} pairs of reflections with elements between them, the largest "
        f"{max(line.standard for line in small):.2g} dB",
        shared=f"path {path.name}: mismatch across elements",
        frequency_hz=frequency_hz,
        length_m=math.sqrt(sum(m**2 for m in known) / len(known)) if len(known) == len(lengths) else None,
    )


def reflection_of(port: PortReflection, frequency_hz: float, seen: float = 1.0) -> Reflection:
    """Return what a budget takes of a port at a frequency, seen through a power loss factor ``seen``."""
    knowledge = Knowledge.MAGNITUDE if port.known else Knowledge.DISC
    return Reflection(min(port.at(frequency_hz) * seen, 0.999), knowledge)


def interfaces(
    path: Path, frequency_hz: float, *, pad_db: float = 0.0, near_hz: float | None = None
) -> Iterator[Interface]:
    """Yield every pair of reflections that face each other along the path, as far as both are known.

    Two readings share a ripple where both take its length at the same ``near_hz``, ``frequency_hz`` itself
    unless given.
    """
    at_hz = frequency_hz if near_hz is None else near_hz
    outward: list[tuple[str, PortReflection | None, float | None]] = [(RADIO, path.source, 0.0)]
    outward += [
        (e.label, e.reflection_out, _own_m(e.reflection_out, at_hz, e.length_m)) for e in path.elements
    ]
    inward = [(e.label, e.reflection_in) for e in path.elements] + [(ANALYSER, path.load)]
    losses = [path.element_loss_db(element, frequency_hz, pad_db=pad_db) for element in path.elements]
    lengths = [element.length_m for element in path.elements]
    for first, (before, one, own_m) in enumerate(outward):
        for second in range(first, len(inward)):
            behind, other = inward[second]
            if one is None or other is None:
                continue
            way = [own_m, *lengths[first:second], _own_m(other, at_hz, 0.0)]
            yield Interface(
                before=before,
                behind=behind,
                first=one,
                second=other,
                between_db=sum(losses[first:second]),
                length_m=None if None in way else sum(part for part in way if part is not None),
                touching=first == second,
                crossed=path.elements[first:second],
            )


def _own_m(port: PortReflection | None, at_hz: float, otherwise: float | None) -> float | None:
    """Return the length inside an element after which it reflects."""
    measured = port.length_m(at_hz) if port is not None else None
    return otherwise if measured is None else measured
