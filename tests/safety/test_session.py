"""A session lends the radio's own routines, RF kept down where they disturb it, and waits in its clock."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import pytest

from hilkit.bench import Connected
from hilkit.clock import VirtualClock
from hilkit.errors import MeasurementError
from hilkit.safety import RfState, Session
from tests.bench.trial import PAD, bench_of, changed
from tests.safety.fakes import FakeBench

STATE = RfState(channel=1, carrier_hz=1842.5e6, attenuation_db=20.0, tone_offset_hz=7.5e6, pad_db=10.0)


def session_of(folder: Path, **options: Any) -> tuple[Session, FakeBench]:
    fake = FakeBench(bench_of(folder))
    return Session(cast(Connected, cast(Any, fake)), VirtualClock(), **options), fake


def test_a_session_passes_states_through_its_gate(tmp_path: Path) -> None:
    session, fake = session_of(tmp_path)
    session.select(1)
    session.rf(STATE)
    assert session.state(1) == STATE
    session.mute(1)
    assert fake.radio.on[1] is False
    session.rf(STATE)
    session.mute_all()
    assert fake.radio.on == {1: False, 2: False}
    session.forget()
    assert session.state(1) is None


def test_what_may_disturb_the_output_takes_rf_down_first(tmp_path: Path) -> None:
    session, fake = session_of(tmp_path)
    session.rf(STATE)
    fake.said()
    session.radio.restart_synthesiser(1)
    assert fake.said() == ["rf 1 off", "restart 1"]
    session.rf(STATE)
    fake.said()
    session.radio.set_reference("external")
    assert fake.said() == ["rf 1 off", "reference external"]


def test_a_calibration_from_an_unknown_state_takes_rf_down_first(tmp_path: Path) -> None:
    session, fake = session_of(tmp_path)
    session.radio.calibrate(1)
    assert fake.said() == ["rf 1 off", "calibrate 1"]
    session.rf(STATE)
    fake.said()
    session.radio.calibrate(1)
    assert fake.said() == ["calibrate 1"]


def test_the_radio_of_a_session_has_no_way_to_turn_rf_on(tmp_path: Path) -> None:
    session, _ = session_of(tmp_path)
    for name in ("set_rf", "set_attenuation", "set_carrier", "play_tone", "play_waveform", "start_stream"):
        assert not hasattr(session.radio, name)


def test_facts_and_notes_go_to_the_run(tmp_path: Path) -> None:
    facts: list[tuple[str, str]] = []
    notes: list[str] = []
    session, _ = session_of(
        tmp_path, on_fact=lambda name, text: facts.append((name, text)), on_note=notes.append
    )
    session.fact("firmware", "4.2.0")
    session.note("waiting for the reference")
    assert facts == [("firmware", "4.2.0")]
    assert notes == ["waiting for the reference"]


def test_the_range_of_the_pad_is_that_of_its_instrument(tmp_path: Path) -> None:
    session, fake = session_of(tmp_path)
    assert session.pad_range(1) == (0.0, 60.0, 1.0)
    fake.bench = bench_of(tmp_path, changed((PAD, "{kind: pad, loss: 20 dB, node_in: pad input}")))
    assert Session(cast(Connected, cast(Any, fake)), VirtualClock()).pad_range(1) is None


def test_a_wait_ends_when_its_condition_holds_and_tells_how_long_it_took(tmp_path: Path) -> None:
    session, _ = session_of(tmp_path)
    took = session.wait_until(
        lambda: session.clock.now() >= 1.0, deadline_s=5.0, poll_s=0.3, what="one second passes"
    )
    assert took == pytest.approx(1.2)


def test_a_wait_ends_at_its_deadline_with_what_it_waited_for(tmp_path: Path) -> None:
    session, _ = session_of(tmp_path)
    with pytest.raises(MeasurementError, match="waited 2 s, and still not: the reference locks"):
        session.wait_until(lambda: False, deadline_s=2.0, poll_s=0.3, what="the reference locks")
    assert session.clock.now() == pytest.approx(2.0)
