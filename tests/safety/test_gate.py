"""The gate refuses before it sends, keeps a safe order, sends what differs, believes what is confirmed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from hilkit.bench import Connected, PathError
from hilkit.clock import VirtualClock
from hilkit.errors import BenchError, LinkError, RefusedError, SafetyStop
from hilkit.safety import Gate, RfState
from tests.bench.trial import PAD, bench_of, changed
from tests.safety.fakes import FakeBench

STATE = RfState(
    channel=1, carrier_hz=1842.5e6, attenuation_db=20.0, drive_dbfs=-12.0, tone_offset_hz=7.5e6, pad_db=10.0
)


def gate_of(folder: Path, *changes: tuple[str, str]) -> tuple[Gate, FakeBench]:
    fake = FakeBench(bench_of(folder, changed(*changes)))
    return Gate(cast(Connected, cast(Any, fake)), VirtualClock()), fake


def settled(folder: Path, state: RfState = STATE) -> tuple[Gate, FakeBench]:
    """Return a gate whose bench is in ``state``, with nothing in the log."""
    gate, fake = gate_of(folder)
    gate.select(state.channel)
    gate.apply(state)
    fake.said()
    return gate, fake


def test_from_an_unknown_bench_everything_is_muted_and_set_in_order(tmp_path: Path) -> None:
    gate, fake = gate_of(tmp_path)
    gate.apply(STATE)
    assert fake.said() == [
        "rf 2 off",  # what a run before this one left on
        "rf 1 off",
        "pad 10",
        "lo 1 1842500000",
        "trim 1 20",
        "stop 1", "tone 1 7.5e+06 -12", "start 1",
        "lock? 1",
        "rf 1 on",
    ]  # fmt: skip
    assert gate.state(1) == STATE


def test_a_step_of_the_attenuation_is_a_single_setting_with_rf_up(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    gate.apply(replace(STATE, attenuation_db=19.0))
    assert fake.said() == [
        "trim 1 19",
    ]


def test_the_same_state_again_sends_nothing(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    gate.apply(STATE)
    assert fake.said() == []


def test_more_attenuation_comes_before_more_drive(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    gate.apply(replace(STATE, attenuation_db=25.0, drive_dbfs=-3.0))
    assert fake.said() == ["trim 1 25", "stop 1", "tone 1 7.5e+06 -3", "start 1"]


def test_less_drive_comes_before_less_attenuation(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    gate.apply(replace(STATE, attenuation_db=15.0, drive_dbfs=-20.0))
    assert fake.said() == [
        "stop 1",
        "tone 1 7.5e+06 -20",
        "start 1",
        "trim 1 15",
    ]


def test_the_pad_moves_with_rf_down_only(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    gate.apply(replace(STATE, pad_db=20.0))
    assert fake.said() == ["rf 1 off", "pad 20", "lock? 1", "rf 1 on"]


def test_the_lo_moves_with_rf_down_and_rf_waits_for_lock(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    fake.radio.synthesiser = ["slewing", "slewing", "locked"]
    gate.apply(replace(STATE, carrier_hz=1850e6))
    assert fake.said() == [
        "rf 1 off", "lo 1 1850000000", "lock? 1", "lock? 1", "lock? 1", "rf 1 on",
    ]  # fmt: skip


def test_without_lock_rf_stays_down(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    fake.radio.synthesiser = ["lost"]
    with pytest.raises(RefusedError, match="synthesiser of channel 1 is lost after 10 s, RF is off"):
        gate.apply(replace(STATE, carrier_hz=1850e6))
    assert fake.radio.on[1] is False
    assert gate.state(1) is None


def test_a_state_with_rf_off_goes_down_first(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    gate.apply(replace(STATE, attenuation_db=0.0, rf_on=False))
    assert fake.said() == [
        "rf 1 off",
        "trim 1 0",
    ]


def test_selecting_a_channel_mutes_all_that_share_the_switch(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    gate.select(2)
    assert fake.said() == ["rf 1 off", "relay (102,)"]
    assert gate.state(1) == replace(STATE, rf_on=False)


def test_selecting_the_selected_channel_moves_nothing(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    gate.select(1)
    assert fake.said() == []
    assert fake.radio.on[1] is True


def test_a_pad_shared_with_another_channel_mutes_that_too(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    gate.apply(replace(STATE, channel=2, pad_db=10.0))
    fake.said()
    gate.apply(replace(STATE, channel=2, pad_db=20.0))
    assert fake.said()[:3] == ["rf 1 off", "rf 2 off", "pad 20"]
    assert fake.radio.on == {1: False, 2: True}


def test_an_overload_is_refused_before_anything_is_sent(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    fake.bench.ratings["analyser input"] = 0.0  # type: ignore[index]
    with pytest.raises(SafetyStop, match="'analyser input'"):
        gate.apply(replace(STATE, attenuation_db=0.0))
    assert fake.said() == []
    assert gate.state(1) == STATE


def test_two_channels_on_one_node_add_where_no_switch_parts_them(tmp_path: Path) -> None:
    gate, fake = gate_of(tmp_path, ("analyser input: 20 dBm", "analyser input: -1.5 dBm"))
    level = replace(
        STATE, attenuation_db=14.0, pad_db=10.0
    )  # -4.3 dBm each, -1.3 dBm together, -4.5 dBm allowed
    gate.apply(replace(level, attenuation_db=16.0))
    with pytest.raises(SafetyStop, match="channel 2"):
        gate.apply(replace(level, channel=2, attenuation_db=16.0))
    gate.select(1)
    gate.apply(replace(level, attenuation_db=16.0))
    fake.said()
    with pytest.raises(SafetyStop, match="channel 2"):
        gate.apply(replace(level, channel=2, attenuation_db=16.0))
    gate.mute(1)
    gate.apply(replace(level, channel=2, attenuation_db=16.0))


def test_behind_a_switch_known_to_be_open_a_channel_adds_nothing(tmp_path: Path) -> None:
    gate, _ = gate_of(tmp_path, ("analyser input: 20 dBm", "analyser input: -1.5 dBm"))
    level = replace(STATE, attenuation_db=16.0, pad_db=10.0)
    gate.select(1)
    gate.apply(replace(level, channel=2))
    gate.apply(level)
    assert gate.state(1) == level


@pytest.mark.parametrize(
    ("change", "text", "next_step"),
    [
        ({"carrier_hz": 2000e6}, "may not be tuned to 2 GHz", "1.805 GHz to 1.88 GHz or 2.3 GHz to 2.4 GHz"),
        ({"drive_dbfs": 3.0}, "3 dBFS is above full scale", "0 dBFS"),
        ({"attenuation_db": float("nan")}, "not a number", ""),
        ({"pad_db": float("inf")}, "not a number", ""),
    ],
)
def test_a_state_that_cannot_be_is_refused_before_anything_is_sent(
    tmp_path: Path, change: dict[str, float], text: str, next_step: str
) -> None:
    gate, fake = gate_of(tmp_path)
    with pytest.raises(SafetyStop, match=text) as caught:
        gate.apply(replace(STATE, **change))  # type: ignore[arg-type]
    assert next_step in caught.value.next_step
    assert fake.said() == []


def test_a_pad_setting_on_a_path_without_a_pad_is_refused(tmp_path: Path) -> None:
    gate, _ = gate_of(tmp_path, (PAD, "{kind: pad, loss: 20 dB, node_in: pad input}"))
    with pytest.raises(PathError, match="path tx1 has no step attenuator"):
        gate.apply(STATE)


def test_a_tone_and_a_waveform_at_once_are_refused(tmp_path: Path) -> None:
    gate, fake = gate_of(tmp_path)
    with pytest.raises(BenchError, match="cannot be played at once"):
        gate.apply(replace(STATE, waveform="nr20"))
    assert fake.said() == []


@pytest.mark.parametrize(
    ("deaf", "state"),
    [
        ("trim", replace(STATE, attenuation_db=5.0)),
        ("lo", replace(STATE, carrier_hz=1850e6)),
        ("rf", replace(STATE, rf_on=False)),
    ],
)
def test_what_an_instrument_does_not_confirm_leaves_the_state_unknown(
    tmp_path: Path, deaf: str, state: RfState
) -> None:
    gate, fake = settled(tmp_path)
    fake.radio.deaf.add(deaf)
    with pytest.raises(RefusedError, match=f"{deaf} reads back otherwise"):
        gate.apply(state)
    assert gate.state(1) is None


def test_after_a_failure_on_the_way_rf_is_taken_down(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    fake.radio.deaf.add("trim")
    with pytest.raises(RefusedError):
        gate.apply(replace(STATE, attenuation_db=5.0))
    assert fake.said() == [
        "trim 1 5",
        "rf 1 off",
    ]


def test_a_pad_that_does_not_move_leaves_rf_down(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    fake.pads["pad"].stuck = True
    with pytest.raises(RefusedError, match="sent 30 dB, read back 10 dB"):
        gate.apply(replace(STATE, pad_db=30.0))
    assert fake.radio.on[1] is False


def test_what_failed_is_sent_again(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    fake.radio.broken.add("trim")
    with pytest.raises(LinkError):
        gate.apply(replace(STATE, attenuation_db=19.0))
    fake.radio.broken.clear()
    fake.said()
    gate.apply(replace(STATE, attenuation_db=19.0))
    assert fake.said() == ["trim 1 19", "lock? 1", "rf 1 on"]


def test_after_forgetting_everything_is_sent_in_full(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    gate.forget()
    gate.apply(STATE)
    assert len(fake.said()) == 10


def test_a_waveform_replaces_a_tone(tmp_path: Path) -> None:
    gate, fake = settled(tmp_path)
    gate.apply(replace(STATE, tone_offset_hz=None, waveform="nr20"))
    assert fake.said() == ["stop 1", "waveform 1 nr20 -12", "start 1"]
    gate.apply(replace(STATE, tone_offset_hz=None))
    assert fake.said() == ["stop 1"]


def test_a_radio_that_plays_nothing_may_refuse_to_stop(tmp_path: Path) -> None:
    gate, fake = gate_of(tmp_path)
    fake.radio.deaf.add("stop")
    gate.apply(replace(STATE, tone_offset_hz=None))
    assert fake.radio.on[1] is True


def test_a_radio_that_plays_on_must_not_refuse_to_stop(tmp_path: Path) -> None:
    gate, fake = gate_of(tmp_path)
    fake.radio.deaf.add("stop")
    fake.radio.streams[1] = "running"
    with pytest.raises(RefusedError, match="stop reads back otherwise"):
        gate.apply(replace(STATE, tone_offset_hz=None))
    assert fake.radio.on[1] is False
