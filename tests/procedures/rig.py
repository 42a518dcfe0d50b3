"""The shipped simulated bench with a session on it, its two files changed where a test needs it."""

from __future__ import annotations

import copy
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from hilkit.bench import Bench, load_bench
from hilkit.clock import VirtualClock
from hilkit.files import Lab, library, load
from hilkit.instruments import NullTranscript
from hilkit.procedures import find
from hilkit.readings import Measured
from hilkit.safety import Session
from hilkit.sim import open_simulated
from hilkit.sim.profile import Profile, ProfileFile

SHIPPED = library() / "sim_profiles"
CARRIER = "1842.5 MHz"
TONE = {"channel": 1, "carrier": CARRIER, "offset": "7.5 MHz", "attenuation": "6 dB"}


@dataclass
class Rig:
    """A session on a simulated bench, and what it told."""

    session: Session
    bench: Bench
    world: Any
    connected: Any
    facts: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def settings(self, name: str, **settings: Any) -> Any:
        return find(name).settings_model.model_validate(settings)

    def misfits(self, name: str, **settings: Any) -> list[tuple[str, str]]:
        return list(find(name).misfits(self.settings(name, **settings), self.bench))

    def steps(self, name: str, **settings: Any) -> Iterator[Measured]:
        return find(name).measure(self.session, self.settings(name, **settings))

    def run(self, name: str, **settings: Any) -> list[Measured]:
        return list(self.steps(name, **settings))

    def bring_up(self, channel: int = 1, carrier: str = CARRIER) -> None:
        self.run("bring_up", channel=channel, carrier=carrier, reference="external")


@cache
def _shipped() -> dict[str, Any]:
    return load(SHIPPED / "simulated_pier.yaml").data


def profile_data() -> dict[str, Any]:
    return copy.deepcopy(_shipped())


def load_pier(folder, *changes: tuple[str, str]) -> Bench:
    text = (SHIPPED / "simulated_pier.bench.yaml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, f"{old!r} is not in the bench file"
        text = text.replace(old, new)
    shutil.copy(SHIPPED / "measured_line.s2p", folder)
    file = folder / "pier.bench.yaml"
    file.write_text(text, encoding="utf-8")
    return load_bench(file, Lab(folder))


@contextmanager
def rig(folder, *changes: tuple[str, str], edit=lambda data: None, seed: int = 1) -> Iterator[Rig]:
    """Connect the bench; ``changes`` replace texts of its file, ``edit`` changes the data of the profile."""
    data = profile_data()
    edit(data)
    bench, clock = load_pier(folder, *changes), VirtualClock()
    profile = Profile(file=ProfileFile.model_validate(data), folder=SHIPPED)
    manager, world = open_simulated(profile, clock, seed)
    made: list[Rig] = []
    with bench.connect(manager, clock, NullTranscript(), Lab(folder)) as connected:
        session = Session(
            connected,
            clock,
            on_fact=lambda name, text: made[0].facts.update({name: text}),
            on_note=lambda text: made[0].notes.append(text),
        )
        made.append(Rig(session=session, bench=bench, world=world, connected=connected))
        yield made[0]


def by_key(readings: list[Measured]) -> dict[tuple[str, str], Measured]:
    return {(reading.name, reading.phase): reading for reading in readings if reading.index is None}


def series(readings: list[Measured], name: str) -> dict[float, float]:
    return {reading.index: reading.value for reading in readings if reading.name == name}


def failed_checks(reading: Measured) -> list[str]:
    return [evidence.name for evidence in reading.evidence if evidence.held is False]
