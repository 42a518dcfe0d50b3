"""What a model cannot see in a profile: names that lead nowhere, ranges upside down, two at one address."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from hilkit.errors import Problem
from hilkit.files import Document, Loc
from hilkit.files.notes import Notes, did_you_mean, listed
from hilkit.quantities import Duration, Quantity
from hilkit.sim.faults import DISK, KINDS
from hilkit.sim.profile import (
    Element,
    NetworkElement,
    ProfileFile,
    RelayElement,
    StepAttenuatorElement,
)

__all__ = ["check_profile"]

RADIO = "radio"
_RANGES = (("low", "high"), ("lowest", "highest"))
_TIMED = ("delay", "drip")
"""Faults that have a time of their own."""


def check_profile(file: ProfileFile, document: Document, folder: Path) -> list[Problem]:
    """Return every mistake that the model lets pass; Touchstone files are looked up in ``folder``."""
    notes = Notes(document)
    _values(file, (), notes)
    _instruments(file, notes)
    _channels(file, notes)
    for name, path in file.paths.items():
        at = ("paths", name)
        _known((*at, "analyser"), "analyser", path.analyser, file.analysers, notes)
        _known((*at, "channel"), "channel of the radio", str(path.channel), file.radio.channels, notes)
        for number, element in enumerate(path.elements):
            _element((*at, "elements", number), element, file, folder, notes)
    _receive(file, notes)
    _planes(file, notes)
    _outputs(file, notes)
    _faults(file, notes)
    return notes.in_order()


def _known(at: Loc, what: str, name: str, names: Mapping[str, object], notes: Notes) -> None:
    if name not in names:
        article = "an" if what[0] in "aeiou" else "a"
        notes.add(
            at,
            f"{article} {what} of this profile is needed here",
            seen=name,
            allowed=listed(names, nothing=f"nothing: there is no {what} in this profile"),
            next_step=did_you_mean(name, names),
        )


def _values(value: Any, at: tuple[str | int, ...], notes: Notes) -> None:
    """Look at every number that has to be in order by itself, wherever it stands."""
    if isinstance(value, BaseModel):
        fields = {name: getattr(value, name) for name in type(value).model_fields}
        _ranges(fields, at, notes)
        for name, inner in fields.items():
            _alone(name, inner, (*at, name), notes)
            _values(inner, (*at, name), notes)
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            _values(inner, (*at, str(key)), notes)
    elif isinstance(value, tuple):
        for number, inner in enumerate(value):
            _values(inner, (*at, number), notes)


def _alone(name: str, value: Any, at: Loc, notes: Notes) -> None:
    if not isinstance(value, Quantity):
        return
    if name == "step" and value.base <= 0:
        notes.add(at, "a step is above zero", seen=str(value), next_step="write the distance of two settings")
    elif value.base < 0 and (isinstance(value, Duration) or name.endswith(("_sd", "repeatability"))):
        noun = "a time" if isinstance(value, Duration) else "a spread"
        notes.add(at, f"{noun} is not negative", seen=str(value), allowed="0 or more")


def _ranges(fields: Mapping[str, Any], at: tuple[str | int, ...], notes: Notes) -> None:
    for low, high in _RANGES:
        below, above = fields.get(low), fields.get(high)
        if isinstance(below, Quantity) and isinstance(above, Quantity) and below.base > above.base:
            key = high if notes.document.find((*at, high)).whole else low
            notes.add((*at, key), f"{low} is above {high}", seen=f"{low} {below}, {high} {above}")


def _groups(file: ProfileFile) -> dict[str, Mapping[str, Any]]:
    return {
        "analysers": file.analysers,
        "pads": file.pads,
        "relays": file.relays,
        "generators": file.generators,
        "power_meters": file.power_meters,
        "supplies": file.supplies,
        "noise_sources": file.noise_sources,
    }


def _instruments(file: ProfileFile, notes: Notes) -> None:
    names = {RADIO}
    resources: dict[str, str] = {}
    _resource((RADIO,), RADIO, file.radio.resource, resources, notes)
    for group, members in _groups(file).items():
        for name, member in members.items():
            at = (group, name)
            if name in names:
                notes.add(at, f"{name!r} is the name of another instrument already", at_key=True)
            names.add(name)
            _resource(at, name, member.resource, resources, notes)


def _resource(at: Loc, name: str, text: str, taken: dict[str, str], notes: Notes) -> None:
    from hilkit.sim.bench import canonical_resource

    where = (*at, "resource")
    try:
        resource = canonical_resource(text)
    except ValueError:
        example = "TCPIP0::pier.analyser::5025::SOCKET"
        notes.add(where, "this is no VISA resource name", seen=text, allowed=f"one such as {example}")
        return
    if resource in taken:
        notes.add(where, f"{taken[resource]!r} already stands at this resource", seen=text)
    taken.setdefault(resource, name)


def _channels(file: ProfileFile, notes: Notes) -> None:
    for name in file.radio.channels:
        if not name.isdecimal():
            at = (RADIO, "channels", name)
            notes.add(at, "a channel is a whole number", seen=name, allowed="a number such as 1", at_key=True)


def _element(
    at: tuple[str | int, ...], element: Element, file: ProfileFile, folder: Path, notes: Notes
) -> None:
    if isinstance(element, StepAttenuatorElement):
        _known((*at, "pad"), "pad", element.pad, file.pads, notes)
    elif isinstance(element, RelayElement):
        _known((*at, "relay"), "relay", element.relay, file.relays, notes)
        relay = file.relays.get(element.relay)
        if relay is not None and element.close not in relay.channels:
            message = f"{element.relay} has no channel {element.close}"
            notes.add((*at, "close"), message, seen=str(element.close), allowed=listed(relay.channels))
    elif isinstance(element, NetworkElement) and not (folder / element.file).is_file():
        files = sorted(path.name for path in folder.glob("*.s?p"))
        notes.add(
            (*at, "file"),
            "there is no file of this name beside the profile",
            seen=element.file,
            allowed=listed(files, nothing=f"no Touchstone file lies in {folder}"),
            next_step=did_you_mean(element.file, files),
        )


def _receive(file: ProfileFile, notes: Notes) -> None:
    sources = {**file.generators, **file.noise_sources}
    for name, path in file.receive.items():
        at = ("receive", name)
        heard = {number: each for number, each in file.radio.channels.items() if each.receiver is not None}
        _known((*at, "channel"), "channel with a receiver", str(path.channel), heard, notes)
        for source in path.inputs:
            _known((*at, "inputs", source), "generator or noise source", source, sources, notes)


def _planes(file: ProfileFile, notes: Notes) -> None:
    for group in ("generators", "power_meters"):
        for name, member in _groups(file)[group].items():
            if member.connected and member.connected not in file.planes:
                notes.add(
                    (group, name, "connected"),
                    "there is no plane of this name",
                    seen=member.connected,
                    allowed=listed(file.planes),
                    next_step=did_you_mean(member.connected, file.planes),
                )


def _outputs(file: ProfileFile, notes: Notes) -> None:
    feeders: list[str] = []
    for name, supply in file.supplies.items():
        for number, output in supply.outputs.items():
            at = ("supplies", name, "outputs", number)
            if not (number.isdecimal() and number.isascii()) or int(number) < 1:
                notes.add(
                    at, "an output is a number from 1 on", seen=number, allowed="such as 1", at_key=True
                )
            for key, value, highest in (
                ("voltage", output.voltage, supply.highest),
                ("current_limit", output.current_limit, supply.highest_current),
            ):
                if not 0 <= value.base <= highest.base:
                    notes.add(
                        (*at, key), f"{name} does not have this", seen=str(value), allowed=f"0 to {highest}"
                    )
            if output.feeds is not None:
                feeders.append(f"{name} output {number}")
                if len(feeders) > 1:
                    notes.add((*at, "feeds"), f"{feeders[0]} feeds the {output.feeds} already")


def _faults(file: ProfileFile, notes: Notes) -> None:
    groups = _groups(file)
    kinds = {
        RADIO: RADIO,
        DISK: DISK,
        **{name: group for group, members in groups.items() for name in members},
    }
    for number, fault in enumerate(file.faults):
        at = ("faults", number)
        _known((*at, "instrument"), "instrument", fault.instrument, kinds, notes)
        only = KINDS[fault.kind].only
        group = kinds.get(fault.instrument)
        if only and group is not None and group not in only:
            fitting = list(_members(only, kinds))
            message = f"{fault.instrument} cannot have a {fault.kind}"
            notes.add((*at, "kind"), message, seen=fault.kind, allowed=f"this kind for {listed(fitting)}")
        if fault.kind == "delay" and fault.delay is None:
            notes.add((*at, "kind"), "how late is missing", seen="kind: delay", next_step="add delay: 3 s")
        if fault.kind not in _TIMED and fault.delay is not None:
            notes.add((*at, "delay"), f"`delay` does not go with kind {fault.kind}", at_key=True)


def _members(groups: tuple[str, ...], kinds: Mapping[str, str]) -> Iterator[str]:
    return (name for name, group in kinds.items() if group in groups)
