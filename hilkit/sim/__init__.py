"""The simulated bench: physics, and the instruments in front of it. Reached through VISA alone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pyvisa

    from hilkit.clock import Clock
    from hilkit.sim.faults import FaultRow
    from hilkit.sim.profile import Profile
    from hilkit.sim.server import Server
    from hilkit.sim.world import World

__all__ = ["open_simulated", "serve", "simulated_resource_manager"]

LATENCY_S = 0.001
"""What each command costs on a simulated bench, in seconds of simulated time."""


def open_simulated(
    profile: Profile,
    clock: Clock,
    seed: int | None = None,
    *,
    latency_s: float = LATENCY_S,
    faults: Iterable[FaultRow] = (),
) -> tuple[pyvisa.ResourceManager, World]:
    """Build the bench of ``profile`` and return a PyVISA resource manager for it, with the world behind it.

    ``seed`` replaces the profile's; ``latency_s`` is what each command costs in simulated seconds; ``faults``
    come on top of those of the profile. Every call makes another bench.
    """
    from hilkit.sim.world import World

    world = World(profile, clock, seed)
    return simulated_resource_manager(world, latency_s=latency_s, faults=faults), world


def simulated_resource_manager(
    world: World, *, latency_s: float = LATENCY_S, faults: Iterable[FaultRow] = ()
) -> pyvisa.ResourceManager:
    """Return a PyVISA resource manager for the instruments in front of ``world``."""
    from hilkit.sim.bench import SimulatedBench
    from hilkit.sim.visa import resource_manager

    return resource_manager(SimulatedBench(world, latency_s=latency_s, faults=faults))


def serve(
    world: World,
    *,
    host: str = "127.0.0.1",
    ports: Mapping[str, int] | None = None,
    latency_s: float = LATENCY_S,
    faults: Iterable[FaultRow] = (),
) -> Server:
    """Serve the instruments in front of ``world`` as raw sockets; close the server, or use it in a ``with``.

    ``ports`` gives the port of an instrument by its name (the radio is ``radio``); 0 or no entry picks a free
    one, found in ``server.addresses``. Raises OSError when a port is taken.
    """
    from hilkit.sim.bench import SimulatedBench
    from hilkit.sim.server import Server

    return Server(SimulatedBench(world, latency_s=latency_s, faults=faults), host=host, ports=ports or {})
