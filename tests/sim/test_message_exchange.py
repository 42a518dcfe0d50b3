"""The message exchange: IEEE 488.2-1992 clause 6 and clause 12 (synchronisation)."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hilkit.clock import VirtualClock
from hilkit.sim import connection
from tests.sim.standin import Console, Pad, Relay, Talk, analyser, attenuator, contrary, radio, switch


def test_an_unread_answer_is_discarded_with_minus_410_on_a_message_connection(box: Talk) -> None:
    box.write("*IDN?")
    box.write(":SWE:POIN?")
    assert box.read() == "1001"
    assert box.errors() == ['-410,"Query INTERRUPTED"']


def test_an_unread_answer_stays_in_a_stream(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock), stream=True)
    talk.write("*IDN?")
    talk.write(":SWE:POIN?")
    assert talk.read().splitlines() == ["Tidewrack Works,TW-SA8,TW8-01147,3.1.0", "1001"]


def test_reading_without_a_question_is_minus_420(box: Talk) -> None:
    box.device.talk()
    assert box.errors() == ['-420,"Query UNTERMINATED"']


def test_a_question_after_an_open_ended_answer_is_minus_440(box: Talk) -> None:
    assert box.ask("*IDN?;*OPC?") == "Tidewrack Works,TW-SA8,TW8-01147,3.1.0"
    assert box.errors() == ['-440,"Query UNTERMINATED after indefinite response"']


def test_too_long_an_answer_deadlocks(box: Talk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "OUTPUT_LIMIT", 1000)
    assert box.ask(":SYST:HELP:HEAD?;*ESE?;*SRE?") == "0"
    assert box.errors() == ['-430,"Query DEADLOCKED"']


def test_a_message_may_come_in_pieces(box: Talk) -> None:
    for piece in (b"*ID", b"N", b"?", b"\n"):
        box.device.receive(piece)
    assert box.read().startswith("Tidewrack")


def test_a_carriage_return_before_the_line_feed_is_ignored(box: Talk) -> None:
    box.device.receive(b"*ESE?\r\n")
    assert box.read() == "0"


def test_an_endless_message_is_dropped_with_minus_363(box: Talk) -> None:
    box.device.receive(b"x" * ((1 << 20) + 1))
    assert box.errors() == ['-363,"Input buffer overrun"']


def test_operation_complete_sets_its_bit_when_the_sweep_is_over_and_not_before(box: Talk) -> None:
    box.write(":SWE:TIME 2;:INIT;*OPC")
    clock = box.instrument.clock
    for _ in range(4):
        assert box.ask("*ESR?") == "0"
        clock.sleep(0.499)
    clock.sleep(0.01)
    assert box.ask("*ESR?") == "1"
    assert box.ask("*ESR?") == "0"


def test_operation_complete_comes_at_once_when_nothing_is_pending(box: Talk) -> None:
    assert box.ask("*OPC;*ESR?") == "1"
    assert box.ask("*OPC?") == "1"


def test_averages_multiply_the_time_of_a_sweep(box: Talk) -> None:
    box.write(":SWE:TIME 0.5;:AVER ON;:AVER:COUN 10;:INIT;*OPC")
    box.instrument.clock.sleep(4.99)
    assert box.ask("*ESR?") == "0"
    box.instrument.clock.sleep(0.02)
    assert box.ask("*ESR?") == "1"


def test_the_complete_query_answers_when_the_sweep_is_over_and_says_when(box: Talk) -> None:
    start = box.instrument.clock.now()
    box.write(":SWE:TIME 2;:INIT;*OPC?")
    assert not box.device.pending
    assert box.device.wake_at() == pytest.approx(start + 2)
    box.instrument.clock.sleep(2)
    assert box.read() == "1"


def test_wait_holds_back_what_follows(box: Talk) -> None:
    box.write(":SWE:TIME 2;:INIT;*WAI;:SWE:POIN 101;:SWE:POIN?")
    assert box.read() == ""
    box.instrument.clock.sleep(2)
    assert box.read() == "101"


def test_a_new_message_interrupts_a_question_that_waits(box: Talk) -> None:
    box.write(":SWE:TIME 2;:INIT;*OPC?")
    assert box.ask(":SWE:POIN?") == "1001"
    assert box.errors() == ['-410,"Query INTERRUPTED"']


@pytest.mark.parametrize("end", ["*CLS", "*RST"])
def test_clear_and_reset_cancel_a_pending_operation_complete(box: Talk, end: str) -> None:
    # IEEE 488.2-1992 clauses 10.3 and 10.32
    box.write(f":SWE:TIME 2;:INIT;*OPC;{end}")
    box.instrument.clock.sleep(5)
    assert box.ask("*ESR?") == "0"


def test_device_clear_empties_the_buffers_and_forgets_what_waited(box: Talk) -> None:
    # IEEE 488.2-1992 clause 5.8
    box.write(":SWE:TIME 2;:INIT;*OPC?")
    box.device.receive(b":NONSE")
    box.device.clear()
    box.instrument.clock.sleep(5)
    assert box.read() == ""
    assert box.ask("*ESE?") == "0"


def test_abort_ends_the_operation_without_a_trace(box: Talk) -> None:
    box.write(":SWE:TIME 2;:INIT;*OPC;:ABOR")
    assert box.ask("*ESR?") == "1"
    assert set(box.ask(":TRAC? TRACE1").split(",")) == {"9.910000000000E+37"}


def test_a_serial_poll_tells_of_a_request_once(box: Talk) -> None:
    # IEEE 488.2-1992 clause 11.2.2: RQS is cleared when polled, the master summary is not
    box.write("*SRE 4;:NONSENSE")
    assert box.device.status_byte() == 64 + 4
    assert box.device.status_byte() == 4
    assert box.ask("*STB?") == "68"
    box.errors()
    assert box.device.status_byte() == 0
    box.write(":NONSENSE")
    assert box.device.status_byte() == 68


def test_the_status_byte_says_that_an_answer_is_ready(box: Talk) -> None:
    box.write("*ESE?")
    assert box.device.status_byte() & 16
    box.read()
    assert not box.device.status_byte() & 16


def test_each_command_costs_its_time(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock, latency_s=0.01))
    start = clock.now()
    talk.write("*CLS;*ESE 1;*ESE?")
    assert clock.now() - start == pytest.approx(0.03)


def test_two_connections_share_settings_and_queue_but_not_their_answers(clock: VirtualClock) -> None:
    instrument = analyser(clock)
    one, two = Talk(instrument, stream=True), Talk(instrument, stream=True)
    one.write(":SWE:POIN 101")
    two.write(":SWE:POIN?")
    assert (one.read(), two.read()) == ("", "101")
    one.write(":NONSENSE")
    assert two.errors() == ['-113,"Undefined header;:NONSENSE"']


HEADERS = (
    "*OPC?",
    ":FREQ:CENT ",
    ":INIT",
    "*WAI",
    ":TRAC? TRACE1",
    ":ROUT:CLOS (@101",
    ";",
    ",",
    "#1",
    '"',
    "1E",
    "\n",
)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.one_of(st.binary(max_size=12), st.sampled_from(HEADERS).map(str.encode)), max_size=12))
def test_no_bytes_whatever_break_an_instrument(pieces: list[bytes]) -> None:
    clock = VirtualClock()
    boxes = [
        analyser(clock),
        contrary(clock),
        attenuator(clock, Pad()),
        switch(clock, Relay()),
        radio(clock, Console()),
    ]
    for instrument in boxes:
        talk = Talk(instrument, stream=True)
        talk.device.receive(b"".join(pieces))
        clock.sleep(10)
        talk.device.take(1 << 20)
        talk.device.clear()
        fresh = Talk(instrument, stream=True)
        assert fresh.ask("*ESE?").endswith("0") or "answer to" in fresh.ask("about")
