"""No shipped plan moves a relay, a pad or a carrier while RF is on: the simulator's own log says so."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.errors import ExitCode
from hilkit.files import library
from hilkit.safety import RfState
from hilkit.testing import simulated_bench
from tests.runner.trips import watched


def moved_hot(folder: Path, name: str) -> list[str]:
    """Run a shipped plan and return what moved with more at the port than RF that is off leaves there."""
    done = watched(folder, plan=(library() / "sequences" / f"{name}.yaml").read_text(encoding="utf-8"))
    assert done.code is ExitCode.PASSED, done.reason
    return [f"{each.what} at {each.time_s:.3f} s, {each.level_dbm:.1f} dBm" for each in done.world.hot_moves]


@pytest.mark.parametrize("name", ["retune_verification", "tone_placement"])
def test_nothing_moves_hot(tmp_path: Path, name: str) -> None:
    assert moved_hot(tmp_path, name) == []


@pytest.mark.long
@pytest.mark.parametrize("name", ["channel_power", "power_sweep", "night_check"])
def test_nothing_moves_hot_in_the_longer_plans(tmp_path: Path, name: str) -> None:
    assert moved_hot(tmp_path, name) == []


def test_the_log_would_tell() -> None:
    """What is moved behind the gate's back, with RF on, is in the log."""
    state = RfState(channel=1, carrier_hz=1842.5e6, attenuation_db=20.0, tone_offset_hz=7.5e6)
    with simulated_bench() as bench:
        bench.session.select(1)
        bench.session.rf(state)
        assert bench.world.hot_moves == []
        bench.world.pads["pad"].set(20.0)
        bench.world.radio.handle_line("lo 1 1850000000")
        assert [move.what for move in bench.world.hot_moves] == ["pad", "carrier of channel 1"]
