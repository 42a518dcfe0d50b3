"""The simulated bench, connected, for the length of a ``with`` block."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hilkit.bench import Bench, Connected, load_bench
from hilkit.clock import VirtualClock
from hilkit.files import Lab
from hilkit.instruments import NullTranscript, Transcript
from hilkit.safety import PersonStep, Session, make_safe
from hilkit.sim import open_simulated, serve
from hilkit.sim.profile import Profile, load_profile
from hilkit.sim.world import World

__all__ = ["BenchOnTest", "simulated_bench"]


@dataclass(kw_only=True)
class BenchOnTest:
    """A connected bench in front of a simulated world.

    ``world`` knows the truth; a test compares with it, a procedure never sees it. ``facts`` and ``notes``
    collect what a procedure reports beside its readings.
    """

    bench: Bench
    world: World
    clock: VirtualClock
    lab: Lab
    resource_manager: Any
    connected: Connected
    session: Session
    facts: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


@contextlib.contextmanager
def simulated_bench(
    name: str = "simulated_pier",
    *,
    lab: Lab | None = None,
    profile: Profile | None = None,
    bench: Path | None = None,
    seed: int | None = None,
    over_sockets: bool = False,
    transcript: Transcript | None = None,
) -> Iterator[BenchOnTest]:
    """Open the simulated bench ``name`` with its instruments connected, and leave it safe.

    ``profile`` and ``bench`` replace the files that belong to ``name``. With ``over_sockets`` the instruments
    are served on 127.0.0.1 and reached with PyVISA-py, as instruments on a lab network are; time stays
    virtual.
    """
    lab = lab or Lab()
    clock = VirtualClock()
    truth = profile or load_profile(lab.find("profile", name), lab)
    belief = load_bench(bench or lab.find("bench", name), lab)
    with contextlib.ExitStack() as stack:
        if over_sockets:
            world = World(truth, clock, seed)
            server = stack.enter_context(serve(world, host="127.0.0.1", ports={}))
            belief = belief.with_resources(_resources(server.addresses))
            manager = _pure_python_visa()
        else:
            manager, world = open_simulated(truth, clock, seed)
        stack.callback(manager.close)
        connected = stack.enter_context(belief.connect(manager, clock, transcript or NullTranscript(), lab))
        facts: dict[str, str] = {}
        notes: list[str] = []

        def move(step: PersonStep) -> None:
            for instrument, plane in step.moves:
                world.connect(instrument, plane)

        session = Session(connected, clock, on_fact=facts.__setitem__, on_note=notes.append, on_person=move)
        stack.callback(make_safe, connected, clock)
        yield BenchOnTest(
            bench=belief,
            world=world,
            clock=clock,
            lab=lab,
            resource_manager=manager,
            connected=connected,
            session=session,
            facts=facts,
            notes=notes,
        )


def _pure_python_visa() -> Any:
    import pyvisa

    return pyvisa.ResourceManager("@py")


def _resources(addresses: Mapping[str, tuple[str, int]]) -> dict[str, str]:
    return {name: f"TCPIP0::{host}::{port}::SOCKET" for name, (host, port) in addresses.items()}
