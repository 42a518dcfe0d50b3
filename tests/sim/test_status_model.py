"""The status model: IEEE 488.2-1992 clause 11, SCPI-99 volume 1 chapter 9, volume 2 chapters 20 and 21.8."""

from __future__ import annotations

import pytest

from hilkit.clock import VirtualClock
from hilkit.sim.status import ERROR_TEXTS, ErrorQueue, Register, event_bit
from tests.sim.standin import Talk, analyser

# SCPI-99 volume 2, clause 21.8: error numbers and texts, the ones that bench software meets.
STANDARD_TEXTS = """\
0,"No error"
-100,"Command error"
-101,"Invalid character"
-102,"Syntax error"
-103,"Invalid separator"
-104,"Data type error"
-108,"Parameter not allowed"
-109,"Missing parameter"
-111,"Header separator error"
-112,"Program mnemonic too long"
-113,"Undefined header"
-114,"Header suffix out of range"
-121,"Invalid character in number"
-123,"Exponent too large"
-124,"Too many digits"
-128,"Numeric data not allowed"
-131,"Invalid suffix"
-134,"Suffix too long"
-138,"Suffix not allowed"
-141,"Invalid character data"
-144,"Character data too long"
-148,"Character data not allowed"
-151,"Invalid string data"
-158,"String data not allowed"
-161,"Invalid block data"
-168,"Block data not allowed"
-171,"Invalid expression"
-178,"Expression data not allowed"
-200,"Execution error"
-211,"Trigger ignored"
-213,"Init ignored"
-221,"Settings conflict"
-222,"Data out of range"
-224,"Illegal parameter value"
-230,"Data corrupt or stale"
-231,"Data questionable"
-240,"Hardware error"
-241,"Hardware missing"
-310,"System error"
-330,"Self-test failed"
-350,"Queue overflow"
-363,"Input buffer overrun"
-365,"Time out error"
-400,"Query error"
-410,"Query INTERRUPTED"
-420,"Query UNTERMINATED"
-430,"Query DEADLOCKED"
-440,"Query UNTERMINATED after indefinite response"
-500,"Power on"
-600,"User request"
-700,"Request control"
-800,"Operation complete"
"""


@pytest.mark.parametrize("line", STANDARD_TEXTS.splitlines())
def test_error_texts_are_those_of_the_standard_letter_by_letter(line: str) -> None:
    number, text = line.split(",", 1)
    assert f'"{ERROR_TEXTS[int(number)]}"' == text


# SCPI-99 volume 2, clauses 21.8.9 to 21.8.16: class of error and bit of the event register
@pytest.mark.parametrize(
    ("code", "bit"),
    [(-113, 5), (-222, 4), (-350, 3), (17, 3), (-410, 2), (-500, 7), (-600, 6), (-700, 1), (-800, 0)],
)
def test_each_class_of_error_sets_its_event_bit(code: int, bit: int) -> None:
    assert event_bit(code) == 1 << bit


def test_the_status_byte_of_the_worked_example_goes_from_100_over_68_to_0(box: Talk) -> None:
    # IEEE 488.2 clause 11.2: 64 (master summary) + 32 (event summary) + 4 (queue), then less 32, then none
    box.write("*ESE 32;*SRE 255")
    box.write(":NONSENSE")
    assert box.ask("*STB?") == "100"
    assert box.ask("*ESR?") == "32"
    assert box.ask("*STB?") == "68"
    assert box.ask(":SYST:ERR?") == '-113,"Undefined header;:NONSENSE"'
    assert box.ask("*STB?") == "0"


def test_reading_the_event_register_clears_it_and_leaves_the_queue(box: Talk) -> None:
    box.write(":FREQ:CENT 9 GHZ")
    assert box.ask("*ESR?;*ESR?") == "16;0"
    assert len(box.errors()) == 1


def test_reading_the_queue_leaves_the_event_register(box: Talk) -> None:
    box.write(":FREQ:CENT 9 GHZ")
    box.errors()
    assert box.ask("*ESR?") == "16"


def test_the_queue_is_first_in_first_out_and_its_last_entry_tells_of_overflow() -> None:
    # SCPI-99 volume 2, clause 21.8.1
    queue = ErrorQueue(depth=3)
    for code in (-113, -222, -109, -224):
        queue.put(code)
    assert [queue.get() for _ in range(4)] == [
        (-113, "Undefined header"),
        (-222, "Data out of range"),
        (-350, "Queue overflow"),
        (0, "No error"),
    ]


def test_an_error_text_never_exceeds_255_characters() -> None:
    queue = ErrorQueue()
    queue.put(-113, "x" * 400)
    assert len(queue.get()[1]) == 255


def test_count_code_and_all_read_the_queue_in_their_own_way(box: Talk) -> None:
    for message in (":A", ":B", ":C"):
        box.write(message)
    assert box.ask(":SYST:ERR:COUN?") == "3"
    assert box.ask(":SYST:ERR:CODE?") == "-113"
    assert box.ask(":SYST:ERR:ALL?") == '-113,"Undefined header;:B",-113,"Undefined header;:C"'
    assert box.ask(":SYST:ERR?") == '0,"No error"'
    assert box.ask(":SYST:ERR:ALL?") == '0,"No error"'


def test_clear_status_empties_events_and_queue_and_keeps_the_enables(box: Talk) -> None:
    # IEEE 488.2-1992 clause 10.3
    box.write("*ESE 60;*SRE 32;:NONSENSE")
    box.write("*CLS")
    assert box.ask("*STB?;*ESR?;*ESE?;*SRE?") == "0;0;60;32"
    assert box.errors() == []


def test_reset_touches_neither_queue_nor_events_nor_enables(box: Talk) -> None:
    # IEEE 488.2-1992 clause 10.32
    box.write("*ESE 60;:NONSENSE")
    box.write("*RST")
    assert box.ask("*ESE?;*ESR?") == "60;32"
    assert box.errors() == ['-113,"Undefined header;:NONSENSE"']


def test_power_on_is_told_once_in_the_event_register(clock: VirtualClock) -> None:
    talk = Talk(analyser(clock))
    assert talk.ask("*ESR?;*ESR?") == "128;0"


def test_bit_6_of_the_request_enable_cannot_be_set(box: Talk) -> None:
    box.write("*SRE 255")
    assert box.ask("*SRE?") == "191"


def test_identity_has_four_fields_and_the_version_is_that_of_the_standard(box: Talk) -> None:
    assert box.ask("*IDN?") == "Tidewrack Works,TW-SA8,TW8-01147,3.1.0"
    assert box.ask(":SYST:VERS?") == "1999.0"
    assert box.ask("*TST?") == "0"
    assert box.ask("*OPT?") == "0"


def test_a_failed_self_test_answers_its_number_and_queues_minus_330(box: Talk) -> None:
    box.instrument.self_test_result = 7  # type: ignore[attr-defined]
    assert box.ask("*TST?") == "7"
    assert box.errors() == ['-330,"Self-test failed"']


def test_a_register_latches_what_its_transition_filters_let_through() -> None:
    # SCPI-99 volume 1, clause 9.2
    register = Register()
    register.update(0b01)
    register.update(0b00)
    assert (register.read_event(), register.read_event()) == (1, 0)
    register.positive, register.negative = 0, 0b10
    register.set_bit(1, True)
    assert register.read_event() == 0
    register.set_bit(1, False)
    assert register.read_event() == 2


def test_an_enabled_questionable_event_shows_in_bit_3_and_operation_in_bit_7(box: Talk) -> None:
    box.write(":STAT:QUES:ENAB 512;:STAT:OPER:ENAB 8;*SRE 8")
    physics = box.instrument._physics  # type: ignore[attr-defined]
    physics.uncalibrated = True
    box.write(":INIT;*WAI")
    box.instrument.clock.sleep(1)
    assert box.ask("*STB?") == str(64 + 8 + 128)
    assert box.ask(":STAT:QUES?") == "512"
    assert box.ask(":STAT:OPER?") == "8"
    assert box.ask("*STB?") == "0"


def test_status_preset_disables_and_restores_the_filters(box: Talk) -> None:
    box.write(":STAT:QUES:ENAB 7;PTR 0;NTR 5;:STAT:PRES")
    assert box.ask(":STAT:QUES:ENAB?;PTR?;NTR?") == "0;32767;0"


def test_bit_15_of_a_register_is_never_used(box: Talk) -> None:
    assert box.refused(":STAT:OPER:ENAB 32768") == -222
