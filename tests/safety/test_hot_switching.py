"""What may move while RF is on: nothing, unless the bench file says so, and then only within the ratings."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hilkit.clock import VirtualClock
from hilkit.safety import Gate, RfState
from tests.bench.pier import pier
from tests.safety.fakes import FakeBench

STATE = RfState(channel=1, carrier_hz=1842.5e6, attenuation_db=20.0, tone_offset_hz=7.5e6, pad_db=10.0)
MOVES = {
    "pad": (replace(STATE, pad_db=20.0), "pad 20"),
    "radio": (replace(STATE, carrier_hz=1850e6), "lo 1 1850000000"),
}


def gate_of(folder: Path, hot: str, rating: str = "27 dBm") -> tuple[Gate, FakeBench]:
    bench = pier(
        folder,
        ("interlocks:\n", f"hot_switching: [{hot}]\ninterlocks:\n"),
        ("analyser input: 27 dBm", f"analyser input: {rating}"),
    )
    fakes = FakeBench(bench)
    gate = Gate(fakes, VirtualClock())  # type: ignore[arg-type]
    gate.select(1)
    gate.mute_all()
    gate.apply(STATE)
    fakes.said()
    return gate, fakes


@pytest.mark.parametrize("what", MOVES)
def test_without_leave_rf_goes_down_first(tmp_path: Path, what: str) -> None:
    gate, fakes = gate_of(tmp_path, "")
    gate.apply(MOVES[what][0])
    said = fakes.said()
    assert said.index("rf 1 off") < said.index(MOVES[what][1]) < said.index("rf 1 on")


@pytest.mark.parametrize("what", MOVES)
def test_with_leave_rf_stays_up(tmp_path: Path, what: str) -> None:
    gate, fakes = gate_of(tmp_path, what)
    gate.apply(MOVES[what][0])
    said = fakes.said()
    assert MOVES[what][1] in said and "rf 1 off" not in said
    assert gate.state(1) == MOVES[what][0]


def test_a_switch_with_leave_moves_under_rf(tmp_path: Path) -> None:
    for hot, down in (("", True), ("relay", False)):
        gate, fakes = gate_of(tmp_path, hot)
        gate.select(2)
        said = fakes.said()
        assert "relay (102,)" in said and ("rf 1 off" in said) is down


def test_leave_does_not_reach_beyond_a_rating(tmp_path: Path) -> None:
    """4 dBm at the port less 25 dB of path: with the pad at 0 dB on its way, the input may get -21 dBm."""
    gate, fakes = gate_of(tmp_path, "pad", rating="-25 dBm")
    gate.apply(MOVES["pad"][0])
    assert "rf 1 off" in fakes.said()


def test_leave_for_one_part_is_none_for_another(tmp_path: Path) -> None:
    gate, fakes = gate_of(tmp_path, "radio")
    gate.apply(MOVES["pad"][0])
    assert "rf 1 off" in fakes.said()


def test_what_is_not_known_is_muted_whatever_leave_there_is(tmp_path: Path) -> None:
    gate, fakes = gate_of(tmp_path, "radio, pad")
    gate.forget(1)
    gate.apply(STATE)
    said = fakes.said()
    assert said.index("rf 1 off") < said.index("lo 1 1842500000")
