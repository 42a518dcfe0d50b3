"""Errors as the simulated instruments answer them to any VISA client: SCPI-99, volume 2, clause 21.8.

Numbers and texts are those of the standard's list. Whatever an instrument adds stands behind a semicolon
within the quotes. Each class of error sets its bit of the standard event register: command errors bit 5,
execution errors bit 4 (the same clause; the register itself: IEEE 488.2, clause 11.5.1, its number from
memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from hilkit.clock import VirtualClock
from hilkit.sim import open_simulated
from hilkit.sim.profile import load_profile

NO_ERROR = '0,"No error"'
ANSWER = re.compile(r'(?P<number>-?\d+),"(?P<text>[^";]*)(?:;(?P<more>(?:[^"]|"")*))?"')

ANALYSER, PAD, RELAY = (f"TCPIP0::127.0.0.1::{port}::SOCKET" for port in (5025, 5026, 5027))

# What is sent, the number and the text of SCPI-99 clause 21.8.
MISTAKES = [
    (ANALYSER, ":SENSe:FREQuency:CENTre 2 GHZ", -113, "Undefined header"),
    (ANALYSER, ":FREQ:CENT", -109, "Missing parameter"),
    (ANALYSER, ":FREQ:CENT 1 GHZ,2 GHZ", -108, "Parameter not allowed"),
    (ANALYSER, ":FREQ:CENT 1 DBM", -131, "Invalid suffix"),
    (ANALYSER, ":FREQ:CENT 1.2.3", -121, "Invalid character in number"),
    (ANALYSER, ":FREQ:CENT 1E99999", -123, "Exponent too large"),
    (ANALYSER, ':FREQ:CENT "1 GHZ"', -158, "String data not allowed"),
    (ANALYSER, ":FREQ:CENT #13abc", -168, "Block data not allowed"),
    (ANALYSER, ":FREQ:CENT (@1)", -178, "Expression data not allowed"),
    (ANALYSER, ":FREQ:CENT 9 GHZ", -222, "Data out of range"),
    (ANALYSER, ":SWE:POIN 101 HZ", -138, "Suffix not allowed"),
    (ANALYSER, ":DET:FUNC FANCY", -224, "Illegal parameter value"),
    (ANALYSER, ":DET:FUNC 1", -128, "Numeric data not allowed"),
    (ANALYSER, ":FREQUENCYCENTRE:LONG 1", -112, "Program mnemonic too long"),
    (ANALYSER, "*ESE 256", -222, "Data out of range"),
    (PAD, ":INP:ATT 64", -222, "Data out of range"),
    (PAD, ":INP:ATT 10 HZ", -131, "Invalid suffix"),
    (PAD, ":INP:ATT", -109, "Missing parameter"),
    (PAD, ":FREQ:CENT 1 GHZ", -113, "Undefined header"),
    (RELAY, ":ROUT:CLOS 101", -128, "Numeric data not allowed"),
    (RELAY, ":ROUT:CLOS (@999)", -222, "Data out of range"),
    (RELAY, ":ROUT:CLOS", -109, "Missing parameter"),
    (RELAY, ":ROUT:SHUT (@101)", -113, "Undefined header"),
]
EVENT_BITS = {1: 32, 2: 16}


class Instruments:
    """Every instrument of the shipped bench through an ordinary PyVISA resource manager."""

    def __init__(self, manager: Any) -> None:
        self._manager = manager
        self._open: dict[str, Any] = {}

    def __getitem__(self, resource: str) -> Any:
        if resource not in self._open:
            self._open[resource] = self._manager.open_resource(
                resource, read_termination="\n", write_termination="\n"
            )
            self._open[resource].write("*CLS")
        return self._open[resource]

    def close(self) -> None:
        for instrument in self._open.values():
            instrument.close()
        self._manager.close()


@pytest.fixture
def instruments() -> Iterator[Instruments]:
    manager, _ = open_simulated(load_profile("simulated_pier"), VirtualClock())
    opened = Instruments(manager)
    yield opened
    opened.close()


@pytest.mark.parametrize(("resource", "line", "number", "text"), MISTAKES)
def test_a_mistake_is_answered_with_number_and_text_of_the_standard(
    instruments: Instruments, resource: str, line: str, number: int, text: str
) -> None:
    instrument = instruments[resource]
    instrument.write(line)
    answer = ANSWER.fullmatch(instrument.query(":SYSTem:ERRor:NEXT?"))
    assert answer is not None
    assert (int(answer["number"]), answer["text"]) == (number, text)
    assert instrument.query(":SYST:ERR?") == NO_ERROR
    assert int(instrument.query("*ESR?")) & 0b111100 == EVENT_BITS[-number // 100]


@pytest.mark.parametrize("resource", [ANALYSER, PAD, RELAY])
def test_without_a_mistake_the_answer_is_zero(instruments: Instruments, resource: str) -> None:
    # SCPI-99, volume 1, clause 4.2.1: every instrument has SYSTem:ERRor[:NEXT]? and SYSTem:VERSion?.
    assert instruments[resource].query(":SYSTem:ERRor?") == NO_ERROR
    assert re.fullmatch(r"199\d\.\d", instruments[resource].query(":SYSTem:VERSion?"))


def test_errors_are_read_in_the_order_in_which_they_were_made(instruments: Instruments) -> None:
    # The queue is first in, first out (clause 21.8).
    analyser = instruments[ANALYSER]
    for line in (":NO:SUCH 1", ":FREQ:CENT", ":FREQ:CENT 99 GHZ"):
        analyser.write(line)
    assert analyser.query(":SYST:ERR:COUN?") == "3"
    found = [int(analyser.query(":SYST:ERR?").split(",")[0]) for _ in range(4)]
    assert found == [-113, -109, -222, 0]


def test_a_full_queue_ends_in_its_overflow(instruments: Instruments) -> None:
    # The last entry is replaced by -350,"Queue overflow", the first ones are kept (clause 21.8).
    pad = instruments[PAD]
    for _ in range(200):
        pad.write(":NO:SUCH 1")
    answers = [pad.query(":SYST:ERR?")]
    while answers[-1] != NO_ERROR:
        answers.append(pad.query(":SYST:ERR?"))
    assert answers[0].startswith('-113,"Undefined header')
    assert answers[-2] == '-350,"Queue overflow"'


def test_on_a_raw_socket_an_answer_that_nobody_read_stays_first_in_line(instruments: Instruments) -> None:
    # Where there is a message exchange it would be -410,"Query INTERRUPTED"; a byte stream has none (common
    # practice).
    analyser = instruments[ANALYSER]
    analyser.write(":SYST:VERS?")
    assert analyser.query("*IDN?").startswith("199")
    assert analyser.read().count(",") == 3
    assert analyser.query(":SYST:ERR?") == NO_ERROR


def test_clearing_status_empties_the_queue_and_a_reset_does_not(instruments: Instruments) -> None:
    # *CLS clears the queue (IEEE 488.2, clause 10.3); *RST leaves status alone (clause 10.32).
    relay = instruments[RELAY]
    relay.write(":NO:SUCH 1")
    relay.write("*RST")
    assert relay.query(":SYST:ERR:COUN?") == "1"
    relay.write("*CLS")
    assert relay.query(":SYST:ERR?") == NO_ERROR
