"""The log of levels holds what a peak-holding probe at each point would show."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from hilkit.sim.substitution import Output
from hilkit.sim.world import World
from tests.sim_physics.test_path import AXIS, network

Tell = Callable[..., str]

LOSSES_DB = (20.22 - 0.38 * 150 / 800, 0.31 + 0.11 * 150 / 800, 3.05)
"""Coupler, relay and pad of path tx1 at 1.85 GHz, by hand from the profile's tables."""


def test_before_any_rf_nothing_was_seen(world: World) -> None:
    assert {seen.average_dbm for seen in world.levels.along("tx1")} == {-math.inf}


def test_a_tone_is_seen_at_every_point_less_what_lies_before(on_air: World) -> None:
    """Full scale of 23.68 dBm at 1.8425 GHz, less 5 dB and 6 dB of drive; compression takes little."""
    seen = on_air.levels.along("tx1")
    full_scale = 23.7 - 0.3 * 42.5 / 600
    assert seen[0].average_dbm == pytest.approx(full_scale - 5 - 6, abs=0.2)
    assert seen[0].peak_dbm == pytest.approx(seen[0].average_dbm, abs=0.9)
    behind = np.array([each.average_dbm for each in seen[:4]])
    assert np.diff(behind) == pytest.approx([-loss for loss in LOSSES_DB], abs=0.05)
    assert {each.average_dbm for each in on_air.levels.along("tx2")} == {-math.inf}


def test_the_highest_level_stays_when_it_goes_down(on_air: World, tell: Tell) -> None:
    before = on_air.levels.along("tx1")
    tell("trim 1 20", "rf 1 off")
    assert on_air.levels.along("tx1") == before
    tell("trim 1 0", "rf 1 on")
    gained = on_air.levels.along("tx1")[0].average_dbm - before[0].average_dbm
    assert gained == pytest.approx(5.0, abs=0.3)


def test_a_pad_counts_from_the_moment_at_which_it_moves(on_air: World) -> None:
    """Its highest setting at power-on was left before RF: here it goes back there, and nothing rises."""
    before = on_air.levels.along("tx1")
    on_air.pads["pad"].set(30)
    assert on_air.levels.along("tx1") == before


def test_behind_an_open_relay_only_its_isolation_is_seen(world: World, tell: Tell) -> None:
    """78 dB of isolation in the profile."""
    tell("play 1 tone 7500000 0", "play 1 start", "trim 1 0", "rf 1 on")
    seen = world.levels.along("tx1")
    assert seen[1].average_dbm - seen[2].average_dbm == pytest.approx(78.0, abs=0.1)


def test_peaks_of_noise_reach_far_above_its_mean_but_not_above_full_scale(world: World, tell: Tell) -> None:
    """Of n exponential powers the highest has ln n times the mean: 12.2 dB for 19.08 MHz in a second; a
    converter cannot give more than full scale."""
    levels = {}
    for dbfs in (-30, -6):
        tell("trim 1 0", f"play 1 file nr20 {dbfs}", "play 1 start", "rf 1 on")
        levels[dbfs] = world.levels.along("tx1")[0]
    crest = levels[-30].peak_dbm - levels[-30].average_dbm
    assert crest == pytest.approx(10 * math.log10(math.log(19.08e6)), abs=0.4)
    full_scale = world.radio.channels[1].full_scale_dbm()
    assert levels[-6].peak_dbm <= full_scale + 1.0
    assert levels[-6].peak_dbm == pytest.approx(full_scale, abs=1.0)


def test_a_generator_is_seen_on_the_sensor_and_along_the_path(world: World) -> None:
    world.connect("generator", "tx1 port")
    world.drive("generator", Output(frequency_hz=1.85e9, level_dbm=10.0, on=True))
    truth = world.generators["generator"].true_level_dbm()
    assert world.levels.along("tx1")[0].average_dbm == pytest.approx(truth, abs=1e-9)
    world.drive("generator", Output(frequency_hz=1.85e9, level_dbm=5.0, on=False))
    world.connect("power_meter", "generator output")
    assert world.levels.at_sensor("power_meter").average_dbm == -math.inf
    world.drive("generator", Output(frequency_hz=1.85e9, level_dbm=5.0, on=True))
    assert world.levels.at_sensor("power_meter").average_dbm == pytest.approx(5.0, abs=0.5)


def test_an_amplifier_adds_its_gain_forward_and_isolates_backward() -> None:
    """17 dB behind a pad of 10 dB leave 7 dB of gain where nothing reflects: arithmetic."""
    matched = {"match": "200 dB"}
    joined = network(
        {"kind": "pad", "loss": "10 dB", **matched},
        {"kind": "amplifier", "gain": "17 dB", "isolation": "50 dB", **matched},
    )
    assert 20 * np.log10(np.abs(joined[:, 1, 0])) == pytest.approx(np.full(len(AXIS), 7.0), abs=1e-6)
    assert 20 * np.log10(np.abs(joined[:, 0, 1])) == pytest.approx(np.full(len(AXIS), -60.0), abs=1e-6)
