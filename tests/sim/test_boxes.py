"""Step attenuator and relay switch: SCPI-99 volume 2, INPut:ATTenuation and ROUTe."""

from __future__ import annotations

import pytest

from hilkit.clock import VirtualClock
from tests.sim.standin import Pad, Relay, Talk, attenuator, switch


def test_the_attenuator_moves_and_answers_its_code(clock: VirtualClock) -> None:
    pad = Pad()
    talk = Talk(attenuator(clock, pad))
    assert pad.db == 63
    talk.write(":INP:ATT 20 DB")
    assert (pad.db, float(talk.ask(":INP:ATT?"))) == (20, 20)
    talk.write("INPUT:ATTENUATION 10.4")
    assert pad.db == 10
    assert [float(part) for part in talk.ask(":INP:ATT? MIN;ATT? MAX;ATT? DEF").split(";")] == [0, 63, 63]


@pytest.mark.parametrize(("text", "code"), [("64", -222), ("-1", -222), ("3 HZ", -131), ("3 DBM", -131)])
def test_a_code_that_does_not_exist_is_refused_and_nothing_moves(
    clock: VirtualClock, text: str, code: int
) -> None:
    pad = Pad()
    talk = Talk(attenuator(clock, pad))
    talk.write(":INP:ATT 7")
    assert talk.refused(f":INP:ATT {text}") == code
    assert pad.db == 7


def test_reset_takes_the_attenuator_to_its_highest_attenuation(clock: VirtualClock) -> None:
    pad = Pad()
    talk = Talk(attenuator(clock, pad))
    talk.write(":INP:ATT MIN")
    assert pad.db == 0
    talk.write("*RST")
    assert pad.db == 63


def test_moving_is_an_overlapped_operation_until_settled(clock: VirtualClock) -> None:
    talk = Talk(attenuator(clock, Pad()))
    clock.sleep(1)
    start = clock.now()
    talk.write(":INP:ATT 3;*OPC?")
    assert talk.device.wake_at() == pytest.approx(start + 0.02)
    clock.sleep(0.02)
    assert talk.read() == "1"


def test_relays_close_open_and_tell_their_state(clock: VirtualClock) -> None:
    relay = Relay()
    talk = Talk(switch(clock, relay))
    talk.write(":ROUT:CLOS (@101,103:104)")
    assert relay.closed == {101, 103, 104}
    assert talk.ask(":ROUT:CLOS? (@101:105)") == "1,0,1,1,0"
    assert talk.ask("ROUT:OPEN? (@101,102)") == "0,1"
    assert talk.ask("CLOS:STAT?") == "(@101,103,104)"
    talk.write(":ROUT:OPEN (@103)")
    assert relay.closed == {101, 104}
    talk.write(":ROUTe:OPEN:ALL")
    assert (relay.closed, talk.ask(":ROUT:CLOS:STAT?")) == (set(), "(@)")


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("(@101,999)", -222),
        ("101", -128),
        ("(101)", -171),
        ("", -109),
        ("'(@101)'", -158),
        ("(@101),(@102)", -108),
    ],
)
def test_a_list_that_cannot_be_closed_closes_nothing(clock: VirtualClock, text: str, code: int) -> None:
    relay = Relay()
    talk = Talk(switch(clock, relay))
    assert talk.refused(f":ROUT:CLOS {text}") == code
    assert relay.closed == set()


def test_reset_opens_everything(clock: VirtualClock) -> None:
    relay = Relay()
    talk = Talk(switch(clock, relay))
    talk.write(":ROUT:CLOS (@101);*RST")
    assert relay.closed == set()


def test_contacts_need_their_time(clock: VirtualClock) -> None:
    talk = Talk(switch(clock, Relay()))
    clock.sleep(1)
    talk.write(":ROUT:CLOS (@101);*OPC")
    assert talk.ask("*ESR?") == "128"
    clock.sleep(0.015)
    assert talk.ask("*ESR?") == "1"
