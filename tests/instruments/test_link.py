"""The SCPI link on an in-memory instrument: text, errors, timeouts."""

import pytest
from pyvisa.constants import ControlFlow, ResourceAttribute, SerialTermination

from hilkit.errors import Interrupted, LinkError, RefusedError, ReplyError
from hilkit.instruments.visa import SerialSettings
from tests.instruments.bench import IDENTITY, INSTR, SOCKET, FakeBench, block


def test_a_query_cannot_be_set_and_a_command_cannot_be_asked() -> None:
    """Common fault, PyVISA's issue 570: a query used on a command waits for an answer that never comes."""
    link = FakeBench().link()
    with pytest.raises(ValueError, match="is a query; use ask"):
        link.set(":FREQ?")
    with pytest.raises(ValueError, match="is no query; use set"):
        link.ask(":FREQ 1")
    with pytest.raises(ValueError, match="is no query"):
        link.ask_block(":TRACE")
    with pytest.raises(ValueError, match="run takes commands"):
        link.run(":READ?", 1.0)


def test_a_question_mark_inside_a_text_is_no_query() -> None:
    bench = FakeBench()
    bench.link().set(':DISPlay:TEXT "ready?"')
    assert bench.instrument.log == [':DISPlay:TEXT "ready?"']


def test_answers_come_without_terminator_and_as_numbers() -> None:
    bench = FakeBench()
    bench.instrument.answers[":X?"] = b"+1.5E+1\r\n"
    link = bench.link()
    assert (link.ask(":X?"), link.ask_float(":X?")) == ("+1.5E+1", 15.0)
    bench.instrument.answers[":X?"] = "hot"
    with pytest.raises(ReplyError, match=r"analyser: :X\? was answered with 'hot', which is not a number"):
        link.ask_float(":X?")


def test_the_transcript_has_every_line_with_direction_and_instrument() -> None:
    bench = FakeBench()
    link = bench.link()
    link.set("*CLS")
    link.identify()
    assert bench.transcript.entries == [
        ("analyser", "->", "*CLS"),
        ("analyser", "->", "*IDN?"),
        ("analyser", "<-", IDENTITY),
    ]


def test_a_session_is_opened_with_a_finite_timeout_and_closed_at_the_end() -> None:
    bench = FakeBench()
    with bench.link(timeout_s=2.0) as link:
        link.ask("*IDN?", timeout_s=7.5)
        assert bench.manager.sessions[0].timeout == 7500
        link.ask("*IDN?")
        assert bench.manager.sessions[0].timeout == 2000
    assert bench.manager.sessions[0].closed


# --- the error queue


def test_an_empty_queue_is_no_error_in_any_of_its_spellings() -> None:
    bench = FakeBench()
    link = bench.link()
    for empty in ('0,"No error"', '+0,"OK"', "-000", "0"):
        bench.instrument.answers[":SYSTEM:ERROR:NEXT?"] = empty
        link.drain_errors("rbw")
    assert link.read_errors() == []


def test_errors_name_the_settings_and_every_text_of_the_queue() -> None:
    """Texts: SCPI-99 volume 2, clause 21.8."""
    bench = FakeBench()
    link = bench.link()
    bench.instrument.queue.extend(['-222,"Data out of range;9 THZ"', '-113,"Undefined header"'])
    with pytest.raises(RefusedError) as caught:
        link.drain_errors(["centre", "span"])
    assert caught.value.message == (
        'analyser: centre, span was answered in the error queue with -222,"Data out of range;9 THZ"; '
        '-113,"Undefined header"'
    )
    assert not bench.instrument.queue


def test_a_queue_without_end_is_read_a_hundred_times_and_no_more() -> None:
    bench = FakeBench()
    bench.instrument.answers[":SYSTEM:ERROR:NEXT?"] = '-310,"System error"'
    with pytest.raises(ReplyError, match="after 100 reads"):
        bench.link().read_errors()


def test_power_on_in_the_queue_says_that_the_settings_are_gone() -> None:
    """SCPI-99 volume 2, clause 21.8: -500, Power on."""
    bench = FakeBench()
    link = bench.link()
    bench.instrument.queue.append('-500,"Power on"')
    with pytest.raises(LinkError, match=r"the instrument restarted .* settings are gone"):
        link.drain_errors("rbw")


def test_events_below_minus_500_are_no_faults() -> None:
    """SCPI-99 volume 2, clause 21.8: -600 user request, -700 request control, -800 operation complete."""
    bench = FakeBench()
    bench.instrument.queue.extend(['-600,"User request"', '-800,"Operation complete"'])
    bench.link().drain_errors("rbw")


def test_an_exchange_that_was_broken_off_leaves_nothing_behind() -> None:
    bench = FakeBench()
    link = bench.link()
    link.identify()

    def interrupt() -> None:
        raise Interrupted("stopped by a person")

    def slow(query: str) -> str:
        bench.manager.sessions[-1].on_read = interrupt
        return "-33.3"

    bench.instrument.answers |= {":SLOW?": slow, ":X?": "1.0"}
    with pytest.raises(Interrupted):
        link.ask(":SLOW?")
    assert link.ask_float(":X?") == 1.0
    assert bench.instrument.opened == 2


def test_a_serial_line_gets_its_speed_and_ends_blocks_by_count() -> None:
    bench = FakeBench("ASRL3::INSTR")
    bench.instrument.answers[":TRACE?"] = block(b"\x0a\x0b\x0c\x0d")
    link = bench.link(serial=SerialSettings(baud=115200, flow="rts_cts"))
    assert link.ask_block(":TRACE?") == b"\x0a\x0b\x0c\x0d"
    attributes = bench.manager.sessions[0].attributes
    assert attributes[ResourceAttribute.asrl_baud_rate] == 115200
    assert attributes[ResourceAttribute.asrl_flow_control] == ControlFlow.rts_cts
    assert attributes[ResourceAttribute.asrl_end_in] == SerialTermination.termination_char
    assert link.ask("*IDN?") == IDENTITY


# --- timeouts


def test_a_timeout_says_what_was_sent_to_whom_how_long_and_why_perhaps() -> None:
    bench = FakeBench(INSTR)
    bench.instrument.unknown.add(":FREQUENZ")
    link = bench.link(timeout_s=2.5)
    link.identify()
    with pytest.raises(LinkError) as caught:
        link.ask(":FREQuenz?")
    text = str(caught.value)
    for part in (
        "analyser: no answer to ':FREQuenz?' within 2.5 s",
        INSTR,
        "status byte 4",
        "event status 0",
        'error queue -113,"Undefined header"',
        "back in step",
        "a header the instrument does not know",
    ):
        assert part in text
    assert bench.clock.now() == pytest.approx(2.5)


def test_after_a_timeout_a_socket_is_reopened_before_anything_else_is_read() -> None:
    """A raw socket has no device clear: common practice, no source."""
    bench = FakeBench(SOCKET)
    bench.instrument.answers[":SLOW?"] = None
    link = bench.link()
    link.identify()
    with pytest.raises(LinkError, match="back in step"):
        link.ask(":SLOW?")
    assert bench.instrument.opened == 2
    assert bench.instrument.log[2:] == ["*IDN?", "*ESR?", ":SYSTem:ERRor:NEXT?", "*CLS"]
    assert link.ask("*IDN?") == IDENTITY


def test_after_a_timeout_another_device_is_cleared_and_not_reopened() -> None:
    """IEEE 488.2, clause 10.3, and VPP-4.3: viClear; *CLS empties registers and queue."""
    bench = FakeBench(INSTR)
    bench.instrument.answers[":SLOW?"] = None
    link = bench.link()
    with pytest.raises(LinkError):
        link.ask(":SLOW?")
    assert (bench.instrument.cleared, bench.instrument.opened) == (1, 1)
    assert bench.instrument.log[-1] == "*CLS"


def test_a_late_answer_is_never_taken_for_the_next_one() -> None:
    bench = FakeBench(SOCKET)
    link = bench.link()
    link.identify()
    bench.instrument.answers[":SLOW?"] = None
    late = [b"-33.3\n"]

    def identity(_: str) -> bytes:
        return (late.pop() if late else b"") + IDENTITY.encode() + b"\n"

    bench.instrument.answers["*IDN?"] = identity
    with pytest.raises(LinkError, match="back in step"):
        link.ask(":SLOW?")
    bench.instrument.answers[":X?"] = "1.0"
    assert link.ask_float(":X?") == 1.0


def test_a_link_that_another_instrument_answers_is_not_in_step() -> None:
    bench = FakeBench()
    link = bench.link()
    link.identify()
    bench.instrument.answers |= {"*IDN?": "Other,SA9,1,1", ":SLOW?": None}
    with pytest.raises(LinkError, match="could not be brought back in step"):
        link.ask(":SLOW?")


def test_a_silent_instrument_ends_in_an_error_that_says_so() -> None:
    bench = FakeBench()
    bench.instrument.answers |= {"*IDN?": None, ":X?": None}
    with pytest.raises(LinkError, match=r"could not be brought back in step: .*did not answer in time"):
        bench.link(timeout_s=1.0).ask(":X?")
    assert bench.clock.now() == pytest.approx(2.0)


def test_a_socket_that_is_held_for_some_seconds_is_opened_again_with_patience() -> None:
    bench = FakeBench()
    link = bench.link()
    link.identify()
    bench.instrument.answers[":SLOW?"] = None
    bench.manager.refusals.extend([ConnectionRefusedError(111, "Connection refused")] * 3)
    with pytest.raises(LinkError, match="back in step"):
        link.ask(":SLOW?")
    assert bench.clock.now() == pytest.approx(3.0 + 3.0)


def test_a_connection_that_is_lost_while_sending_is_a_link_error_and_opened_again_next_time() -> None:
    bench = FakeBench()
    link = bench.link()
    bench.instrument.opened = -1
    with pytest.raises(LinkError, match=r"cannot send '\*CLS' to TCPIP0::127\.0\.0\.1::5025::SOCKET: the"):
        link.set("*CLS")
    bench.instrument.opened = 1
    assert link.ask("*IDN?") == IDENTITY


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (ConnectionRefusedError(111, "Connection refused"), "the connection was refused"),
        (OSError(19, "No such device"), "the operating system reports a fault"),
        (ValueError("no library"), "the resource text or the library is not usable"),
        (RuntimeError("odd"), r"it failed \(odd\)"),
    ],
)
def test_a_resource_that_cannot_be_opened_says_why(error: Exception, says: str) -> None:
    bench = FakeBench()
    bench.manager.refusals.append(error)
    with pytest.raises(LinkError, match=rf"analyser: cannot open {SOCKET}: {says}") as caught:
        bench.link()
    assert caught.value.next_step
