"""The level of the simulated analyser when its settings return, and errors drawn evenly between limits.

No source outside: what a repeatability is, and the moments of a rectangle (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from hilkit.files import library
from hilkit.sim.frontend import Arrival
from hilkit.sim.noise import fixed_error
from hilkit.sim.path import two_port
from hilkit.sim.profile import load_profile
from hilkit.sim.receiver import Receiver, SweepRequest

PROFILE = load_profile("simulated_pier").file.analysers["analyser"]
REQUEST = SweepRequest(centre_hz=2e9, span_hz=1e6, points=11, rbw_hz=100e3)
OTHER = SweepRequest(centre_hz=2e9, span_hz=1e6, points=11, rbw_hz=30e3)


def receiver(most: str) -> Receiver:
    changed = PROFILE.model_copy(update={"repeatability": type(PROFILE.repeatability).parse(most)})
    return Receiver("analyser", changed, seed=1, noise_seed=2, house_error=0.0)


def shifts_db(keys: list[tuple[Any, ...]], requests: list[SweepRequest], most: str = "0.5 dB") -> list[float]:
    """By how much each acquisition is off, against the same one of a steady analyser."""
    restless, steady = receiver(most), receiver("0 dB")
    return [
        float(
            np.mean(
                restless.sweep(request, Arrival(), key).level_dbm
                - steady.sweep(request, Arrival(), key).level_dbm
            )
        )
        for key, request in zip(keys, requests, strict=True)
    ]


def test_a_level_stays_while_the_settings_do_and_is_another_one_when_they_return():
    keys = [("a step", number) for number in range(1, 6)]
    first, same, other, back, again = shifts_db(keys, [REQUEST, REQUEST, OTHER, REQUEST, REQUEST])
    assert same == pytest.approx(first)
    assert again == pytest.approx(back)
    assert len({round(each, 6) for each in (first, other, back)}) == 3


def test_a_step_that_is_run_again_finds_the_same_level_whatever_came_before():
    keys = [("before", 1), ("a step", 1), ("a step", 2)]
    whole = shifts_db(keys, [REQUEST] * 3)
    resumed = shifts_db(keys[1:], [REQUEST] * 2)
    assert whole[1:] == pytest.approx(resumed)


def test_levels_that_return_spread_evenly_up_to_the_repeatability():
    keys, requests = [("a step", number) for number in range(400)], [REQUEST, OTHER] * 200
    shifts = np.array(shifts_db(keys, requests))
    scale = 1 + PROFILE.scale_error_per_10db.db / 10
    assert np.abs(shifts).max() <= 0.5 * scale + 1e-9
    assert np.std(shifts) == pytest.approx(0.5 * scale / np.sqrt(3), rel=0.08)
    assert np.all(shifts_db(keys[:4], requests[:4], "0 dB") == np.zeros(4))


def test_an_even_error_lies_between_its_limits_and_has_its_standard_deviation():
    errors = np.array([fixed_error(3, "state", number, sd=0.2, even=True) for number in range(900)])
    assert np.abs(errors).max() <= 0.2 * np.sqrt(3)
    assert np.abs(errors).max() > 0.34
    assert np.std(errors) == pytest.approx(0.2, rel=0.06)


def test_each_end_of_an_element_can_have_a_reflection_of_its_own():
    gain = np.full(1, 0.5 * np.exp(-0.4j))
    (network,) = two_port(gain, 0.1 + 0.02j, 0.03j)
    assert network[0, 0] == pytest.approx(0.1 + 0.02j)
    assert network[1, 1] == pytest.approx(0.03j * np.exp(-0.8j))
    assert network[1, 0] == network[0, 1] == pytest.approx(gain[0])
    (tied,) = two_port(gain, 0.1 + 0.02j)
    assert abs(tied[1, 1]) == pytest.approx(abs(0.1 + 0.02j))


def test_a_measured_network_can_truly_take_more_than_its_file_says():
    from hilkit.sim.path import Branch
    from hilkit.sim.profile import NetworkElement

    folder = library() / "sim_profiles"

    def network(excess: str) -> Any:
        element = NetworkElement.model_validate(
            {"kind": "touchstone", "file": "measured_line.s2p", "excess": excess}
        )
        return Branch((element,), folder).network(np.array([1.85e9]), pad_loss_db={}, closed={})[0]

    bare, weaker = network("0 dB"), network("0.5 dB")
    assert 20 * np.log10(abs(bare[1, 0] / weaker[1, 0])) == pytest.approx(0.5)
    assert weaker[0, 0] == bare[0, 0]
