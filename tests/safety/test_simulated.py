"""Gate, session and safe state on the simulated bench, through the real instrument classes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from hilkit.bench import Connected
from hilkit.safety import RfState, Session, make_safe
from hilkit.sim.profile import Fault
from tests.bench.pier import LAB, Lines, pier, simulated

STATE = RfState(
    channel=1, carrier_hz=1842.5e6, attenuation_db=10.0, drive_dbfs=-12.0, tone_offset_hz=7.5e6, pad_db=10.0
)

INTERLOCKS = (
    "match",
    "warmth",
    "clockin",
    ":SENSe:DIGital",
    ":MEASure",
    ":INSTrument:NSELect",
    ":SYSTem:ERRor",
)
"""What the interlocks of the bench are read by."""


@contextmanager
def at_work(folder: Path, *faults: Fault) -> Iterator[tuple[Session, Connected, Lines]]:
    manager, clock = simulated(faults)
    lines = Lines()
    with pier(folder).connect(manager, clock, lines, LAB) as connected:
        session = Session(connected, clock)
        session.radio.set_reference("external")
        session.wait_until(
            lambda: session.radio.reference_state() == "locked",
            deadline_s=30,
            poll_s=0.1,
            what="the reference locks",
        )
        session.select(1)
        session.rf(STATE)
        lines.lines.clear()
        yield session, connected, lines


def test_a_step_of_the_attenuation_is_one_setting_and_one_read_back(tmp_path: Path) -> None:
    with at_work(tmp_path) as (session, _, lines):
        session.rf(replace(STATE, attenuation_db=9.0))
        assert [line for line in lines.sent() if not line.startswith(INTERLOCKS)] == ["trim 1 9", "trim 1"]


def test_nothing_moves_while_rf_is_on(tmp_path: Path) -> None:
    with at_work(tmp_path) as (session, _, lines):
        session.rf(replace(STATE, pad_db=20.0))
        session.rf(replace(STATE, pad_db=20.0, carrier_hz=2350e6))
        session.select(2)
        on = True
        for text in lines.sent():
            if text.startswith("rf ") and text.endswith((" on", " off")):
                on = text.endswith(" on")
            if text.startswith((":INPut:ATTenuation ", ":ROUTe", "lo 1 2350000000")) and not text.endswith(
                "?"
            ):
                assert not on, f"{text} was sent with RF on"
        assert not on


def test_the_safe_state_is_reached_from_full_operation(tmp_path: Path) -> None:
    with at_work(tmp_path) as (session, connected, _):
        assert make_safe(connected, session.clock) == []
        for channel in (1, 2):
            assert connected.radio.rf(channel) is False
            assert connected.radio.attenuation(channel) == 31.5
        assert connected.pads["pad"].get() == connected.pads["pad"].range[1]
        assert connected.switches["relay"].closed() == ()
