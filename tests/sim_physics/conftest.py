"""The shipped simulated bench, on a clock that jumps."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from hilkit.clock import VirtualClock
from hilkit.sim.profile import Profile, load_profile
from hilkit.sim.receiver import SweepRequest
from hilkit.sim.world import World


@pytest.fixture(scope="session")
def pier() -> Profile:
    return load_profile("simulated_pier")


@pytest.fixture
def world(pier: Profile) -> World:
    return World(pier, VirtualClock())


@pytest.fixture
def tell(world: World) -> Callable[..., str]:
    """Send control lines to the radio and return the last answer; every answer must be a good one."""

    def send(*lines: str) -> str:
        answer = ""
        for line in lines:
            answer = world.radio.handle_line(line)
            assert answer and not answer.startswith("sorry"), (line, answer)
        return answer

    return send


@pytest.fixture
def on_air(world: World, tell: Callable[..., str]) -> World:
    """Channel 1 on 1842.5 MHz with a tone at +7.5 MHz, calibrated, corrections settled, routed to the
    analyser.
    """
    tell("clockin external", "lo 1 1842500000", "trim 1 5")
    world.clock.sleep(2.0)
    tell("tune 1")
    world.clock.sleep(1.0)
    tell("play 1 tone 7500000 -6", "play 1 start", "rf 1 on", "mend 1 on")
    world.relays["relay"].close([101])
    world.pads["pad"].set(0)
    world.select_reference("analyser", external=True)
    world.clock.sleep(3.0)
    return world


@pytest.fixture
def request_tone() -> SweepRequest:
    """A sweep that shows all product lines of that tone."""
    return SweepRequest(
        centre_hz=1842.5e6,
        span_hz=60e6,
        points=1001,
        rbw_hz=100e3,
        averages=20,
        sweep_time_s=0.1,
        attenuation_db=10,
        reference_level_dbm=0,
        external_reference=True,
    )
