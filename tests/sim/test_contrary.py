"""The contrary analyser does what the head of drivers/signal_analyser_contrary.yaml says, point by point."""

from __future__ import annotations

import numpy as np
import pytest

from hilkit.clock import VirtualClock
from tests.sim.standin import Talk, contrary


@pytest.fixture
def box(clock: VirtualClock) -> Talk:
    talk = Talk(contrary(clock))
    talk.write("*RST;*CLS;:INIT:CONT OFF")
    return talk


def number(talk: Talk, query: str) -> float:
    return float(talk.ask(query))


def errors(talk: Talk) -> list[str]:
    found = []
    while (entry := talk.ask(":SYST:ERR?")) != '+0,"OK"':
        found.append(entry)
    return found


@pytest.mark.parametrize(
    ("header", "written", "read"),
    [
        (":FREQ:CENT", "9 GHZ", 6e9),
        (":FREQ:CENT", "1 HZ", 10e6),
        (":FREQ:SPAN", "1 HZ", 1e3),
        (":SWE:POIN", "9", 101),
        (":SWE:POIN", "9999", 5001),
        (":BAND", "11 KHZ", 30e3),
        (":BAND", "99 MHZ", 3e6),
        (":BAND:VID", "1 HZ", 10),
        (":SWE:TIME", "1 US", 5e-3),
        (":POW:RF:ATT", "11", 15),
        (":POW:RF:ATT", "10", 10),
        (":POW:RF:ATT", "99", 50),
        (":DISP:WIND:TRAC:Y:RLEV", "99", 25),
        (":AVER:COUN", "5000", 999),
    ],
)
def test_1_it_clips_silently(box: Talk, header: str, written: str, read: float) -> None:
    box.write(f"{header} {written}")
    assert number(box, f"{header}?") == read
    assert errors(box) == []


def test_2_it_is_complete_at_once_and_only_the_condition_register_tells_the_truth(box: Talk) -> None:
    box.write(":SWE:TIME 2;:INIT;*OPC")
    assert box.ask("*OPC?") == "1"
    assert int(box.ask("*ESR?")) & 1
    assert int(box.ask(":STAT:OPER:COND?")) & 8
    box.instrument.clock.sleep(2)
    assert not int(box.ask(":STAT:OPER:COND?")) & 8


def pairs(talk: Talk) -> np.ndarray:
    talk.write(":TRAC:DATA? TRACE1")
    raw = talk.read_bytes()
    skip = 2 + int(raw[1:2])
    return np.frombuffer(raw[skip:-1], "<f8").reshape(-1, 2)


def test_2_the_old_trace_is_answered_during_a_sweep_and_none_before_the_first(box: Talk) -> None:
    box.write(":SWE:POIN 101;:SWE:TIME 2;:INIT")
    assert set(pairs(box)[:, 1]) == {9.91e37}
    box.instrument.clock.sleep(2)
    first = pairs(box)
    box.write(":INIT")
    assert np.array_equal(pairs(box), first)


def test_3_traces_are_pairs_of_frequency_and_level_whatever_the_format_says(box: Talk) -> None:
    box.write(":FREQ:CENT 2 GHZ;SPAN 10 MHZ;:SWE:POIN 101;:FORM ASC;:FORM:BORD NORM;:INIT")
    box.instrument.clock.sleep(10)
    trace = pairs(box)
    assert trace.shape == (101, 2)
    assert (trace[0, 0], trace[-1, 0]) == (1.995e9, 2.005e9)
    assert set(trace[:, 1]) == {-11.0}
    assert box.ask(":FORM:BORD?") == '"normal"'
    assert box.ask(":FORM:DATA?") == '"ascii"'
    assert box.ask(":FORM REAL,32;:FORM?") == '"real,32"'


@pytest.mark.parametrize(
    "cause", [":FREQ:CENT 2 GHZ", ":FREQ:SPAN 10 MHZ", ":FREQ:STAR 1 GHZ", ":FREQ:STOP 3 GHZ"]
)
def test_4_tuning_puts_bandwidths_and_sweep_time_back_to_automatic(box: Talk, cause: str) -> None:
    box.write(":BAND 1 KHZ;:BAND:VID 1 KHZ;:SWE:TIME 100")
    assert box.ask(":BAND:AUTO?;:BAND:VID:AUTO?;:SWE:TIME:AUTO?") == "OFF;OFF;OFF"
    box.write(cause)
    assert box.ask(":BAND:AUTO?;:BAND:VID:AUTO?;:SWE:TIME:AUTO?") == "ON;ON;ON"


@pytest.mark.parametrize(
    ("cause", "victim"),
    [
        (":SWE:POIN 1001", ":BAND:VID:AUTO?"),
        (":SWE:POIN 1001", ":SWE:TIME:AUTO?"),
        (":BAND 1 KHZ", ":BAND:VID:AUTO?"),
        (":BAND 1 KHZ", ":SWE:TIME:AUTO?"),
        (":BAND:VID 1 KHZ", ":SWE:TIME:AUTO?"),
        (":DISP:WIND:TRAC:Y:RLEV 0", ":POW:RF:ATT:AUTO?"),
        (":POW:RF:GAIN OFF", ":POW:RF:ATT:AUTO?"),
    ],
)
def test_4_a_write_even_of_the_same_value_puts_another_back_to_automatic(
    box: Talk, cause: str, victim: str
) -> None:
    box.write(":BAND 1 KHZ;:BAND:VID 1 KHZ;:SWE:TIME 100;:POW:RF:ATT 20")
    assert box.ask(victim) == "OFF"
    box.write(cause)
    assert box.ask(victim) == "ON"


def test_4_a_detector_brings_its_average_type(box: Talk) -> None:
    box.write(":AVER:TYPE POW;:DET:TRAC AVER")
    assert box.ask(":AVER:TYPE?") == '"video"'


def test_4_what_automatic_gives(box: Talk) -> None:
    box.write(":FREQ:SPAN 50 MHZ")
    assert number(box, ":BAND?") == 1e6
    assert number(box, ":BAND:VID?") == 3e6
    box.write(":BAND 10 KHZ")
    assert number(box, ":SWE:TIME?") == pytest.approx(4 * 50e6 / 10e3**2)
    box.write(":DISP:WIND:TRAC:Y:RLEV 1")
    assert number(box, ":POW:RF:ATT?") == 20
    box.write(":POW:RF:GAIN ON")
    assert number(box, ":POW:RF:ATT?") == 30


def test_5_words_are_quoted_and_long_numbers_are_loud(box: Talk) -> None:
    box.write(":DET:TRAC MAXP;:FREQ:CENT 1842.5 MHZ")
    assert box.ask(":DET:TRAC?") == '"maxpeak"'
    assert box.ask(":FREQ:CENT?") == "+1.842500000000E+009"
    assert box.ask(":INIT:CONT?") == "OFF"
    box.write(":ROSC:SOUR EXT10")
    assert box.ask(":ROSC:SOUR?") == '"ext10"'


def test_6_errors_stand_in_single_quotes(box: Talk) -> None:
    box.write(":NONSENSE")
    assert errors(box) == ["-113,'Undefined header;:NONSENSE'"]


@pytest.mark.parametrize(
    "header",
    [":INP:ATT?", ":INP:GAIN:STAT?", ":DET?", ":DET:FUNC?", ":CALC:MATH:STAT?", ":INP:IMP?", ":DISP:TEXT?"],
)
def test_7_generic_headers_are_unknown(box: Talk, header: str) -> None:
    box.write(header)
    (entry,) = errors(box)
    assert entry.startswith("-113,")


def test_7_the_reference_has_a_query_of_its_own(box: Talk) -> None:
    assert box.ask(":ROSC:LOCK?") == "1"
    box.write(":ROSC:SOUR EXT10")
    assert box.ask(":ROSC:LOCK?") == "0"
    box.instrument.clock.sleep(0.2)
    assert box.ask(":ROSC:LOCK?") == "1"


def test_8_reset_sweeps_on_and_keeps_offset_and_corrections(box: Talk) -> None:
    box.write(":DISP:WIND:TRAC:Y:RLEV:OFFS 12;:CORR ON;:ROSC:SOUR EXT10;*RST")
    assert box.ask(":INIT:CONT?;:ROSC:SOUR?;:CORR?") == 'ON;"int";ON'
    assert number(box, ":DISP:WIND:TRAC:Y:RLEV:OFFS?") == 12


def test_power_average_reaches_the_physics_under_its_own_word(box: Talk) -> None:
    box.write(":DET:TRAC AVER;:AVER:TYPE POW;:AVER ON;:AVER:COUN 3;:INIT")
    request = box.instrument._physics.requests[-1]  # type: ignore[attr-defined]
    assert (request["detector"], request["average_type"], request["averages"]) == ("rms", "power", 3)


def test_the_noise_hangs_on_the_settings_and_the_number_of_the_sweep_since_rst(clock: VirtualClock) -> None:
    """A step that is run alone begins with ``*RST`` as it does in the whole run, and must read the same."""

    def keys(*before: str) -> list[tuple[object, ...]]:
        talk = Talk(contrary(clock))
        for line in before:
            talk.write(line)
            clock.sleep(10)
        kept: list[tuple[object, ...]] = talk.instrument._physics.keys
        kept.clear()
        talk.write("*RST;:INIT:CONT OFF;:FREQ:CENT 1.85 GHZ;:FREQ:SPAN 1 MHZ")
        for _ in range(2):
            talk.write(":INIT")
            clock.sleep(10)
            talk.ask(":STAT:OPER:COND?")
        return kept

    alone = keys()
    assert keys(":INIT:CONT OFF", ":FREQ:CENT 1 GHZ", ":INIT", ":INIT") == alone
    assert len(set(alone)) == 2
