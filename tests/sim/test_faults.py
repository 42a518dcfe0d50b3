"""Faults on order: each kind does what its line in the table says, when it is due and no longer."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest

from hilkit.clock import VirtualClock
from hilkit.quantities import Duration
from hilkit.sim.faults import KINDS, FaultTable
from hilkit.sim.profile import Fault
from tests.sim.standin import Console, Pad, Relay, Row, Talk, analyser, attenuator, radio, switch


def test_a_profile_can_order_every_kind_and_no_other() -> None:
    assert set(get_args(Fault.model_fields["kind"].annotation)) == set(KINDS)


def test_every_kind_has_its_sentence() -> None:
    assert all(kind.does and kind.noticed and kind.deadline_s > 0 for kind in KINDS.values())
    with pytest.raises(ValueError, match="unknown kind of fault 'flood'; there are silence"):
        FaultTable([Row(kind="flood")], VirtualClock())


def test_a_fault_strikes_the_nth_line_that_begins_so_and_as_often_as_ordered(clock: VirtualClock) -> None:
    table = FaultTable([Row(kind="silence", when=":trac", after=2, count=2)], clock)
    lines = [":TRAC? TRACE1", "*ESE?", ":TRAC? TRACE1", ":TRAC? TRACE1", ":TRAC? TRACE1"]
    assert [bool(table.strike("box", line)) for line in lines] == [False, False, True, True, False]
    assert not table.strike("other", ":TRAC?")


def test_a_fault_may_wait_for_its_time(clock: VirtualClock) -> None:
    table = FaultTable([Row(kind="silence", at=Duration.parse("5 s"))], clock)
    assert not table.strike("box", "x")
    clock.sleep(5)
    assert table.strike("box", "x")


def test_silence_loses_the_line(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock, Row(kind="silence", when=":SWE:POIN 101")))
    talk.write(":SWE:POIN 101")
    assert talk.ask(":SWE:POIN?") == "1001"
    quiet = Talk(analyser(clock, Row(kind="silence", when="*IDN?")))
    assert quiet.ask("*IDN?") == ""
    assert quiet.device.wake_at() is None
    assert quiet.ask("*ESE?") == "0"


def test_a_late_answer_comes_late(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock, Row(kind="delay", when="*ESE?", delay=Duration.parse("3 s"))), stream=True)
    start = clock.now()
    assert talk.ask("*ESE?") == ""
    assert talk.device.wake_at() == pytest.approx(start + 3)
    assert talk.ask("*SRE?") == ""
    clock.sleep(3)
    assert talk.read() == "0\n0"


def test_a_late_answer_without_a_delay_is_later_than_the_default_timeout_of_visa(clock: VirtualClock) -> None:
    # VPP-4.3: the default of VI_ATTR_TMO_VALUE is 2000 ms
    talk = Talk(analyser(clock, Row(kind="delay")), stream=True)
    talk.write("*ESE?")
    clock.sleep(2.1)
    assert not talk.device.pending


def test_half_a_block_is_half_a_block(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock, Row(kind="half_block", when=":TRAC")))
    talk.write("*RST;:FORM REAL,32")
    talk.write(":TRAC? TRACE1")
    raw = talk.read_bytes()
    assert raw.startswith(b"#44004") and len(raw) == (6 + 4004 + 1) // 2


def test_garbage_is_no_answer(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock, Row(kind="garbage")))
    assert talk.ask("*ESE?").encode("latin-1").startswith(b"\x8f\xfe")


def test_not_a_number_comes_in_text_and_in_blocks(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock, Row(kind="nan", count=9)))
    talk.write("*RST;:FORM REAL,32;:INIT")
    clock.sleep(1)
    assert talk.ask(":FREQ:CENT?;:DET?") == "9.91E37;POS"
    talk.write(":TRAC? TRACE1")
    assert np.all(np.frombuffer(talk.read_bytes()[6:-1], ">f4") == np.float32(9.91e37))


def test_an_answer_may_come_twice(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock, Row(kind="duplicate", when="*ESE?")), stream=True)
    assert talk.ask("*ESE?") == "0\n0"


def test_a_refusal_carries_nothing_out_and_reports(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock, Row(kind="refusal", when=":SWE")))
    talk.write(":SWE:POIN 101")
    assert talk.errors() == ['-200,"Execution error"']
    assert talk.ask(":SWE:POIN?") == "1001"


def test_a_stuck_attenuator_answers_but_does_not_move(clock: VirtualClock) -> None:
    pad = Pad()
    talk = Talk(attenuator(clock, pad, Row(kind="stuck_attenuator", when=":INP")))
    assert talk.ask(":INP:ATT 20;ATT?") == "2.000000000000E+01"
    assert pad.db == 63


def test_a_stuck_relay_answers_but_does_not_move(clock: VirtualClock) -> None:
    relay = Relay()
    talk = Talk(switch(clock, relay, Row(kind="stuck_relay", when=":ROUT:CLOS (")))
    talk.write(":ROUT:CLOS (@101)")
    assert (talk.ask(":ROUT:CLOS:STAT?"), relay.closed) == ("(@101)", set())


def test_a_reference_that_vanishes_shows_in_the_questionable_register(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock, Row(kind="lost_reference", when=":STAT:QUES", after=2)))
    talk.write("*RST;:ROSC:SOUR EXT")
    clock.sleep(1)
    assert talk.ask(":STAT:QUES:COND?") == "0"
    assert talk.ask(":STAT:QUES:COND?") == "32"
    assert talk.ask(":STAT:QUES:COND?") == "32"


def test_a_reboot_loses_settings_and_says_minus_500(clock: VirtualClock) -> None:
    # SCPI-99 volume 2, clause 21.8.13
    talk = Talk(analyser(clock, Row(kind="reboot", when=":INIT")), stream=True)
    talk.write("*RST;*CLS;:SWE:POIN 101;*ESE 1")
    talk.write(":INIT")
    assert talk.ask("*ESE?") == ""
    clock.sleep(2)
    assert talk.errors() == ['-500,"Power on"']
    assert talk.ask("*ESE?;*ESR?;:SWE:POIN?") == "0;128;1001"


def test_a_dropped_connection_is_lost_for_good(clock: VirtualClock) -> None:
    instrument = analyser(clock, Row(kind="dropped_connection", when="*IDN?"))
    talk = Talk(instrument)
    assert talk.ask("*IDN?") == ""
    assert talk.device.lost
    assert talk.ask("*ESE?") == ""
    assert Talk(instrument).ask("*IDN?").startswith("Tidewrack")


def test_the_radio_has_its_faults_too(clock: VirtualClock) -> None:
    console = Console()
    rows = (
        Row(kind="silence", when="silent"),
        Row(kind="delay", when="late", delay=Duration.parse("1 s")),
        Row(kind="garbage", when="noise"),
        Row(kind="nan", when="nan"),
        Row(kind="refusal", when="deny"),
        Row(kind="lost_lock", when="lo 1"),
        Row(kind="reboot", when="again"),
        Row(kind="dropped_connection", when="bye"),
    )
    talk = Talk(radio(clock, console, *rows))
    assert talk.ask("silent") == ""
    assert talk.ask("late") == "late"
    clock.sleep(1)
    assert talk.read() == "answer to late\nph> "
    assert "\x8f" in talk.ask("noise x")
    assert talk.ask("nan 12.5") == "nan 12.5\nanswer to nan 9.91E37\nph> "
    assert talk.ask("deny") == "deny\nsorry 99 refused\nph> "
    talk.ask("lo 1")
    assert console.lost == 1
    assert talk.ask("bye") == ""
    assert talk.device.lost
    other = Talk(talk.instrument)
    assert other.ask("again") == ""
    assert console.reboots == 1


def test_a_slow_drip_comes_byte_by_byte(clock: VirtualClock) -> None:
    row = Row(kind="drip", when="*ESE?", delay=Duration.parse("1 s"))
    talk = Talk(analyser(clock, row), stream=True)
    assert talk.ask("*ESE?") == ""
    clock.sleep(1)
    assert talk.read_bytes() == b"0"
    assert talk.read_bytes() == b""
    clock.sleep(1)
    assert talk.read_bytes() == b"\n"


def test_a_full_error_queue_ends_with_minus_350(clock: VirtualClock) -> None:
    # SCPI-99 volume 2, clause 21.8.1
    talk = Talk(attenuator(clock, Pad(), Row(kind="queue_overflow", when=":INP")))
    talk.write(":INP:ATT 3")
    found = talk.errors()
    assert found[-1] == '-350,"Queue overflow"' and len(found) > 1
    assert talk.ask(":INP:ATT?") == "3.000000000000E+00"


def test_an_overdriven_sweep_is_wrong_and_says_so_and_the_next_is_not(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock, Row(kind="overload", when=":INIT")))
    talk.write("*RST;:INIT:CONT OFF;:FORM ASC")
    seen = []
    for _ in range(2):
        talk.write(":INIT")
        clock.sleep(60)
        seen.append((talk.ask(":STAT:QUES:COND?"), float(talk.ask(":TRAC? TRACE1").split(",")[0])))
    assert [state for state, _ in seen] == ["8", "0"]
    assert seen[0][1] < seen[1][1] - 2


def test_a_half_open_connection_takes_everything_and_answers_nothing(clock: VirtualClock) -> None:
    pad = Pad()
    instrument = attenuator(clock, pad, Row(kind="half_open", when="*IDN?"))
    talk = Talk(instrument, stream=True)
    assert talk.ask("*IDN?") == ""
    assert not talk.device.lost
    assert talk.ask(":INP:ATT 20;ATT?") == ""
    assert pad.db == 63
    assert Talk(instrument, stream=True).ask("*ESE?") == "0"


def test_a_radio_does_not_notice_that_its_half_open_connection_was_closed(clock: VirtualClock) -> None:
    talk = Talk(radio(clock, Console(), Row(kind="half_open", when="rf"), hold_s=3.0))
    assert talk.ask("rf 1") == ""
    assert not talk.device.lost
    assert talk.ask("about") == ""
    talk.device.close()
    assert talk.instrument.refuses
    clock.sleep(3)
    assert not talk.instrument.refuses


def test_a_reference_vanishes_from_the_radio_too(clock: VirtualClock) -> None:
    console = Console()
    Talk(radio(clock, console, Row(kind="lost_reference", when="clockin"))).ask("clockin")
    assert not console.present
