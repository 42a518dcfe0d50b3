"""One trace of 1001 points: made by the simulated receiver, and read through PyVISA in-process."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from hilkit.clock import VirtualClock
from hilkit.sim import open_simulated
from hilkit.sim.profile import load_profile
from hilkit.sim.receiver import SweepRequest
from hilkit.sim.world import World
from tests.speed.figures import Figure, timed_ms

UNDER = "under 0.3"
LINES = (
    "clockin external",
    "lo 1 1842500000",
    "trim 1 5",
    "tune 1",
    "play 1 tone 7500000 -6",
    "play 1 start",
    "rf 1 on",
)
REQUEST = SweepRequest(
    centre_hz=1842.5e6,
    span_hz=60e6,
    points=1001,
    rbw_hz=100e3,
    averages=20,
    sweep_time_s=0.1,
    attenuation_db=10.0,
    external_reference=True,
)


def on_air() -> tuple[Any, World]:
    """Return a bench with a tone on channel 1, routed to the analyser."""
    manager, world = open_simulated(load_profile("simulated_pier"), VirtualClock())
    for line in LINES:
        assert world.radio.handle_line(line) == "ok", line
        world.clock.sleep(2.0)
    world.relays["relay"].close([101])
    world.pads["pad"].set(0)
    world.clock.sleep(2.0)
    return manager, world


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield the synthesis with nothing changed, with new settings, with a new signal; then the reading."""
    count = 3 if quick else 400
    manager, world = on_air()
    for request, name in ((REQUEST, "rms"), (replace(REQUEST, detector="sample", average_type="log"), "log")):
        warm, least = timed_ms(lambda n, r=request: world.sweep("analyser", r, ("warm", n)), count)
        yield _trace(f"1001 points, {name}, nothing changed", warm, least)
    cold, least = timed_ms(
        lambda n: world.sweep("analyser", replace(REQUEST, centre_hz=REQUEST.centre_hz + n + 1), ("cold", n)),
        count,
    )
    yield _trace("1001 points, rms, new settings each time", cold, least)

    def changed(number: int) -> None:
        world.radio.handle_line(f"trim 1 {number % 60 / 2 + 1}")
        world.sweep("analyser", REQUEST, ("changed", number))

    new, least = timed_ms(changed, count)
    yield _trace("1001 points, rms, new signal each time", new, least)
    yield from _reading(manager, world, count)
    manager.close()


def _trace(name: str, taken_ms: float, least_ms: float, doing: str = "synthesis") -> Figure:
    return Figure(
        name=f"{doing}: {name}", value=taken_ms, unit="ms", target=UNDER, note=f"shortest {least_ms:.3f}"
    )


def _reading(manager: Any, world: World, count: int) -> Iterator[Figure]:
    resource = world.profile.file.analysers["analyser"].resource
    with manager.open_resource(resource, read_termination="\n", write_termination="\n") as link:
        link.timeout = 10_000
        for text in (":FREQ:SPAN 60 MHZ", ":SWE:POIN 1001", ":FORM REAL,32", ":INIT:CONT OFF", ":INIT"):
            link.write(text)
        link.query("*OPC?")

        def read(_: int) -> None:
            values = link.query_binary_values(
                ":TRAC? TRACE1", datatype="f", is_big_endian=True, container=list
            )
            assert len(values) == 1001

        taken, least = timed_ms(read, count)
    yield _trace("1001 points as a block", taken, least, "read through PyVISA")
