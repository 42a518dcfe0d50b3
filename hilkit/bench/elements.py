"""From the entries of ``paths`` in a bench file to paths with a loss; mistakes are noted with their place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path as FilePath
from typing import Any

from hilkit.bench.accuracy import figure_of
from hilkit.bench.loss import ConstantLoss
from hilkit.bench.loss_entries import network_loss, table_loss
from hilkit.bench.model import ELEMENT_KINDS, ElementEntry
from hilkit.bench.path import Element, Path, frequency_text
from hilkit.bench.reflection import PortReflection, reflections_of
from hilkit.bench.spec import InstrumentSpec
from hilkit.files import Lab, Loc
from hilkit.files.notes import Notes, did_you_mean, listed

__all__ = ["FIRST_NODE", "LAST_NODE", "build_path"]

FIRST_NODE = "{path} port"
"""Name of the start of a path that names none."""

LAST_NODE = "analyser input"
"""Name of the end of a path that names none."""

_CLASS_OF_KIND = {"step_attenuator": "step_attenuator", "switch": "switch_matrix"}


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """What the elements of a path refer to: instruments with their class, and where files are found.

    ``source`` and ``load`` are the reflections of radio port and analyser, as far as they are known.
    """

    classes: Mapping[str, str]
    lab: Lab
    folder: FilePath
    instruments: Mapping[str, InstrumentSpec] = field(default_factory=dict)
    source: PortReflection | None = None
    load: PortReflection | None = None


def build_path(name: str, entries: list[ElementEntry], around: Surroundings, notes: Notes) -> Path | None:
    """Return the path, or ``None`` with the mistakes noted."""
    before = len(notes.problems)
    elements: list[Element] = []
    nodes: list[tuple[str, int, Loc]] = []
    for number, entry in enumerate(entries):
        loc = ("paths", name, number)
        if entry.node is not None and entry.kind is None:
            _only_node(loc, notes)
            nodes.append((entry.node, len(elements), (*loc, "node")))
            continue
        if entry.node_in is not None:
            nodes.append((entry.node_in, len(elements), (*loc, "node_in")))
        element = _element(number, entry, loc, around, notes)
        elements.append(element or Element(label="", loss=ConstantLoss(0.0)))
        if entry.node_out is not None:
            nodes.append((entry.node_out, len(elements), (*loc, "node_out")))
    _check_whole(name, elements, nodes, notes)
    if len(notes.problems) > before:
        return None
    ends = _with_ends(name, nodes, len(elements))
    return Path(name, elements, ends, source=around.source, load=around.load)


def _with_ends(name: str, nodes: list[tuple[str, int, Loc]], count: int) -> list[tuple[str, int]]:
    ends = [(node, place) for node, place, _ in nodes]
    if not ends or ends[0][1] > 0:
        ends.insert(0, (FIRST_NODE.format(path=name), 0))
    if ends[-1][1] < count:
        ends.append((LAST_NODE, count))
    return ends


def _check_whole(name: str, elements: list[Element], nodes: list[tuple[str, int, Loc]], notes: Notes) -> None:
    if not elements:
        notes.add(
            ("paths", name),
            f"path {name} has no element",
            next_step="describe what lies between port and analyser",
        )
        return
    seen: set[str] = set()
    for node, _, loc in nodes:
        if node in seen:
            notes.add(loc, f"{node!r} is already a node of this path", next_step="name each point once")
        seen.add(node)
    pads = [element for element in elements if element.is_pad]
    if len(pads) > 1:
        notes.add(
            ("paths", name),
            f"path {name} has {len(pads)} step attenuators",
            allowed="one per path",
            next_step="describe those that stay as they are by `kind: pad` with their loss",
        )
    low, high = (max(e.loss.coverage_hz[0] for e in elements), min(e.loss.coverage_hz[1] for e in elements))
    if low > high:
        notes.add(
            ("paths", name),
            f"the elements of path {name} have no frequency in common: one starts at {frequency_text(low)}, "
            f"another ends at {frequency_text(high)}",
            next_step="give each element its loss over the frequencies in use",
        )


def _only_node(loc: Loc, notes: Notes) -> None:
    extra = [key for key in _keys(loc, notes) if key != "node"]
    for key in extra:
        notes.add(
            (*loc, key),
            f"`{key}` does not go with a node",
            allowed="node alone, or kind and what goes with it",
            at_key=True,
        )


def _keys(loc: Loc, notes: Notes) -> list[str]:
    value: Any = notes.document.data
    for part in loc:
        value = value[part]
    return [key for key, content in value.items() if content is not None]


def _element(
    number: int, entry: ElementEntry, loc: Loc, around: Surroundings, notes: Notes
) -> Element | None:
    if entry.kind is None:
        notes.add(loc, "an element needs `kind`, or is a `node` alone", allowed=listed(ELEMENT_KINDS))
        return None
    before = len(notes.problems)
    _check_keys(entry.kind, loc, notes)
    if (entry.length is None) != (entry.velocity is None):
        given, other = ("length", "velocity") if entry.velocity is None else ("velocity", "length")
        notes.add(
            (*loc, given),
            f"`{given}` needs `{other}` beside it",
            allowed="length: 1.2 m with velocity: 70 %",
            at_key=True,
        )
    if entry.kind in _CLASS_OF_KIND and entry.instrument is not None:
        _check_instrument(entry, loc, around.classes, notes)
    if entry.close is not None and (
        not entry.close or min(entry.close) < 0 or len(set(entry.close)) < len(entry.close)
    ):
        notes.add(
            (*loc, "close"),
            "the switch channels to close are needed, each once",
            allowed="a list such as [101]",
        )
    if len(notes.problems) > before:
        return None
    if entry.kind == "touchstone":
        loss = network_loss(entry, loc, around.lab, around.folder, notes)
    else:
        loss = table_loss(entry, loc, notes)
    if loss is None:
        return None
    label = entry.name or f"element {number + 1} ({entry.kind.replace('_', ' ')})"
    uncertainty = figure_of(entry.uncertainty, f"bench file: uncertainty of {label}")
    spec = around.instruments.get(entry.instrument or "")
    reflection_in, reflection_out = reflections_of(entry, label, around.lab, around.folder)
    return Element(
        label=label,
        loss=loss,
        uncertainty_db=uncertainty.limit if uncertainty is not None else 0.0,
        uncertainty=uncertainty,
        setting=spec.figure("attenuation") if spec is not None else None,
        repeatability=spec.figure("repeatability") if spec is not None else None,
        reflection_in=reflection_in,
        reflection_out=reflection_out,
        # What counts for a ripple is the time that the signal takes, so a slow cable is a longer one.
        length_m=entry.length.m / entry.velocity.value if entry.length and entry.velocity else None,
        instrument=entry.instrument or "",
        close=tuple(entry.close or ()),
        is_pad=entry.kind == "step_attenuator",
    )


def _check_keys(kind: str, loc: Loc, notes: Notes) -> None:
    rule, given = ELEMENT_KINDS[kind], _keys(loc, notes)
    allowed = ("kind", *rule.must, *rule.one_of, *rule.may)
    for key in given:
        if key not in allowed:
            notes.add(
                (*loc, key), f"`{key}` does not go with kind {kind}", allowed=listed(allowed), at_key=True
            )
    for key in rule.must:
        if key not in given:
            notes.add(loc, f"kind {kind} needs `{key}`", allowed=listed(allowed))
    both = [key for key in rule.one_of if key in given]
    if len(both) > 1:
        words = " and ".join(f"`{key}`" for key in both)
        message = f"this {kind} has both {words}"
        notes.add((*loc, both[-1]), message, next_step="delete one of both", at_key=True)
    elif rule.one_of and not both:
        words = " or ".join(f"`{key}`" for key in rule.one_of)
        notes.add(loc, f"kind {kind} needs {words}", next_step="loss: 20 dB, or a table over frequency")


def _check_instrument(entry: ElementEntry, loc: Loc, classes: Mapping[str, str], notes: Notes) -> None:
    name, wanted = str(entry.instrument), _CLASS_OF_KIND[str(entry.kind)]
    fitting = [instrument for instrument, its_class in classes.items() if its_class == wanted]
    allowed = listed(fitting, nothing=f"nothing: there is no {_words(wanted)} on this bench")
    if name not in classes:
        notes.add(
            (*loc, "instrument"),
            f"there is no instrument {name!r} on this bench",
            allowed=allowed,
            next_step=did_you_mean(name, classes),
        )
    elif classes[name] not in (wanted, ""):
        notes.add(
            (*loc, "instrument"),
            f"{name!r} is a {_words(classes[name])}, kind {entry.kind} needs a {_words(wanted)}",
            allowed=allowed,
        )


def _words(instrument_class: str) -> str:
    return instrument_class.replace("_", " ")
