"""The simulated bench of a rehearsal is what the bench file says, to a hundredth of a dB."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.bench import Bench, load_bench
from hilkit.clock import VirtualClock
from hilkit.files import Lab
from hilkit.plans import load_plan
from hilkit.sim.world import World
from hilkit.testing.rehearsal.profile import BELOW_MAX_DB, profile_of
from tests.bench.calibrating import calibrated
from tests.testing.rehearsal.files import make_lab


def world_of(bench: Bench, folder: Path) -> World:
    make_lab(folder)
    plan = load_plan(folder / "sequences" / "quay.yaml", Lab(folder))
    names = [*bench.instruments, "radio"]
    resources = {name: f"TCPIP0::rehearsal::{5000 + i}::SOCKET" for i, name in enumerate(names)}
    return World(profile_of(bench, plan, resources), VirtualClock())


def check_losses(bench: Bench, world: World, *frequencies_hz: float) -> None:
    for number in bench.channels:
        path = bench.path(number)
        for switch, close in path.switch_positions.items():
            world.relays[switch].open()
            world.relays[switch].close(close)
        if path.pad_instrument is not None:
            world.pads[path.pad_instrument].set(10)
        pad_db = 10.0 if path.pad_instrument is not None else 0.0
        for hz in frequencies_hz:
            wanted = path.loss_db(hz, pad_db=pad_db)
            assert world.matched_loss_db(path.name, hz) == pytest.approx(wanted, abs=0.01)


def test_paths_lose_what_the_file_says(tmp_path: Path) -> None:
    """Tables, a cable over sqrt(f), a Touchstone file, a switch and a step attenuator."""
    bench = load_bench("simulated_pier", Lab())
    check_losses(bench, world_of(bench, tmp_path), 1.81e9, 1.8425e9, 2.37e9)


def test_an_amplifier_gains_what_the_file_says(tmp_path: Path) -> None:
    bench = load_bench(make_lab(tmp_path) / "benches" / "quay.yaml", Lab(tmp_path))
    check_losses(bench, world_of(bench, tmp_path), 3.45e9, 3.5e9, 3.59e9)


def test_relays_in_series_do_not_share_the_power(tmp_path: Path) -> None:
    """A path that closes two channels of one switch goes through both."""
    bench = load_bench(make_lab(tmp_path) / "benches" / "shed.yaml", Lab(tmp_path))
    check_losses(bench, world_of(bench, tmp_path), 1.95e9)


def test_a_calibrated_path_loses_what_its_calibration_found(tmp_path: Path) -> None:
    """27 dB from port to analyser, where the elements make about 26 dB."""
    bench = calibrated(tmp_path)
    world = world_of(bench, tmp_path)
    world.relays["relay"].close([101])
    world.pads["pad"].set(0)
    for hz in (1.81e9, 1.8425e9, 2.35e9):
        assert world.matched_loss_db("tx1", hz) == pytest.approx(27.0, abs=0.02)


def test_the_radio_stays_just_below_its_highest_level(tmp_path: Path) -> None:
    bench = load_bench("simulated_pier", Lab())
    world = world_of(bench, tmp_path)
    for channel in world.radio.channels.values():
        assert channel.full_scale_dbm() == pytest.approx(bench.radio.max_level_dbm - BELOW_MAX_DB)
