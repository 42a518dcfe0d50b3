"""On benches whose truth lies within what their file states, the ramp raises no alarm."""

from __future__ import annotations

import numpy as np
import pytest

from hilkit.bench import load_bench
from hilkit.files import Lab, library
from hilkit.runner.ramp import raise_first_rf
from hilkit.safety import RfState
from hilkit.sim.profile import Profile, ProfileFile
from hilkit.testing import simulated_bench
from tests.procedures.drawn import drawn_profile

CARRIERS_HZ = (1842.5e6, 2350e6)


def ramp_on(number: int) -> None:
    """Ramp on a drawn bench, the settings different from one to the next; ``SafetyStop`` is an alarm."""
    truth = drawn_profile(np.random.default_rng(number), load_bench("simulated_pier", Lab(None)))
    top = RfState(
        channel=1 + number % 2,
        carrier_hz=CARRIERS_HZ[number // 2 % 2],
        attenuation_db=float(number % 7),
        drive_dbfs=-6.0 * (number % 2),
        tone_offset_hz=7.5e6,
        pad_db=5.0,
    )
    profile = Profile(file=ProfileFile.model_validate(truth), folder=library() / "sim_profiles")
    with simulated_bench(profile=profile, seed=number) as bench:
        raise_first_rf(bench.session, [top], "a step")


def test_a_good_bench_raises_no_alarm() -> None:
    for number in range(4):
        ramp_on(number)


@pytest.mark.long
def test_three_hundred_good_benches_raise_no_alarm() -> None:
    for number in range(300):
        ramp_on(number)
