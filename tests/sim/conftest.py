from __future__ import annotations

import pytest

from hilkit.clock import VirtualClock
from tests.sim.standin import Talk, analyser


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def box(clock: VirtualClock) -> Talk:
    """An analyser after ``*RST;*CLS`` on a message connection, its power-on event read."""
    talk = Talk(analyser(clock))
    talk.write("*RST;*CLS")
    return talk
