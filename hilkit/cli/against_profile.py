"""A bench that is simulated against the profile that plays it: both have to speak of the same instruments."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hilkit.cli.common import resources_of
from hilkit.errors import Problem
from hilkit.files import Lab, loads
from hilkit.files.notes import Notes, did_you_mean, listed

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.sim.profile import ProfileFile

__all__ = ["check_against_profile"]


def check_against_profile(bench: Bench, lab: Lab) -> list[Problem]:
    """Return what the bench names and its simulation does not have: addresses, channels, switch channels."""
    if bench.simulation is None:
        return []
    from hilkit.sim.profile import load_profile

    profile = load_profile(lab.find("profile", bench.simulation, relative_to=bench.file.parent), lab)
    notes = Notes(loads(bench.text, str(bench.file)))
    at = _addresses(bench, resources_of(profile), notes)
    for number in bench.radio.channels:
        if str(number) not in profile.file.radio.channels:
            notes.add(
                ("radio", "channels", str(number)),
                f"the simulated radio of {bench.simulation} has no channel {number}",
                allowed=listed(profile.file.radio.channels),
                at_key=True,
            )
    _switches(bench, at, profile.file, notes)
    return notes.in_order()


def _addresses(bench: Bench, resources: dict[str, str], notes: Notes) -> dict[str, str]:
    """Return the name in the profile of each instrument of the bench that stands at one of its addresses."""
    from hilkit.instruments import check_resource

    names = {check_resource(resource): name for name, resource in resources.items()}
    found: dict[str, str] = {}
    for spec in (*bench.instruments.values(), bench.radio_spec):
        if spec.resource in names:
            found[spec.name] = names[spec.resource]
        elif spec.resource:
            there = listed(f"{resource} ({name})" for resource, name in names.items())
            notes.add(
                ("radio", "resource") if spec is bench.radio_spec else ("instruments", spec.name, "resource"),
                f"nothing stands at this address in the simulation {bench.simulation}",
                seen=spec.resource,
                allowed=there,
                next_step=did_you_mean(spec.resource, names),
            )
    return found


def _switches(bench: Bench, at: dict[str, str], profile: ProfileFile, notes: Notes) -> None:
    for name, path in bench.paths.items():
        for number, entry in enumerate(notes.document.data["paths"][name]):
            relay = profile.relays.get(at.get(str(entry.get("instrument", "")), ""))
            wrong = [each for each in entry.get("close") or () if relay and each not in relay.channels]
            if relay is not None and wrong:
                notes.add(
                    ("paths", path.name, number, "close"),
                    f"the simulated {entry['instrument']} has no channel {listed(wrong)}",
                    seen=str(entry["close"]),
                    allowed=listed(relay.channels),
                )
