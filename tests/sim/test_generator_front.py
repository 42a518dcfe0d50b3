"""Signal generator: SCPI-99 volume 2, SOURce and OUTPut."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from hilkit.clock import VirtualClock
from hilkit.sim.faults import FaultTable
from hilkit.sim.generator import Generator, GeneratorLimits
from tests.sim.standin import Talk


@dataclass
class Source:
    """Keeps what it was told last."""

    unlevelled: bool = False
    locked: bool = True
    told: dict[str, Any] = field(default_factory=dict)

    def put_out(self, **output: Any) -> None:
        self.told = output


def generator(clock: VirtualClock, source: Source) -> Talk:
    limits = GeneratorLimits(low_hz=9e3, high_hz=6e9, lowest_dbm=-120.0, highest_dbm=16.0, settle_s=0.01)
    box = Generator(
        "box",
        clock,
        source=source,
        limits=limits,
        identity="Tidewrack Works,TW-G6,TWG-9,1.0",
        faults=FaultTable((), clock),
    )
    talk = Talk(box)
    talk.write("*CLS")
    return talk


@pytest.fixture
def source() -> Source:
    return Source()


@pytest.fixture
def talk(clock: VirtualClock, source: Source) -> Talk:
    return generator(clock, source)


@pytest.mark.parametrize("header", [":SOURce:FREQuency:CW", "FREQ", "FREQ:CW", "SOUR:FREQ", ":FREQ:FIX"])
def test_every_spelling_of_the_frequency_sets_it(talk: Talk, source: Source, header: str) -> None:
    talk.write(f"{header} 1.8425 GHZ")
    assert source.told["frequency_hz"] == 1.8425e9
    assert float(talk.ask(f"{header}?")) == 1.8425e9


@pytest.mark.parametrize(
    "header", [":SOURce:POWer:LEVel:IMMediate:AMPLitude", "POW", "POW:LEV", "SOUR:POW:AMPL", "POW:IMM"]
)
def test_every_spelling_of_the_level_sets_it(talk: Talk, source: Source, header: str) -> None:
    talk.write(f"{header} -7.5 DBM")
    assert source.told["level_dbm"] == -7.5
    assert float(talk.ask(f"{header}?")) == -7.5


def test_at_power_on_and_after_reset_there_is_no_rf(talk: Talk, source: Source) -> None:
    assert (source.told["on"], source.told["level_dbm"]) == (False, -120.0)
    talk.write(":POW 10;:OUTP ON")
    assert source.told["on"]
    talk.write("*RST")
    assert (source.told["on"], source.told["level_dbm"], talk.ask("OUTP?")) == (False, -120.0, "0")


def test_a_level_offset_moves_the_number_and_not_the_output(talk: Talk, source: Source) -> None:
    talk.write(":POW 0;:POW:OFFS 6")
    assert (source.told["level_dbm"], float(talk.ask("POW?"))) == (0.0, 6.0)
    talk.write(":POW 0")
    assert source.told["level_dbm"] == -6.0


def test_frequency_offset_and_multiplier_move_the_line_behind_the_number(talk: Talk, source: Source) -> None:
    talk.write(":FREQ:OFFS 1 GHZ;:FREQ:MULT 2;:FREQ 3 GHZ")
    assert source.told["frequency_hz"] == 1e9


def test_a_limit_in_force_holds_the_level_down_and_says_so_in_the_questionable_register(
    talk: Talk, source: Source
) -> None:
    """SCPI-99 volume 1, clause 9.4: bit 3 POWer, bit 5 FREQuency."""
    talk.write(":POW:LIM -10;:POW 0")
    assert source.told["level_dbm"] == 0.0
    talk.write(":POW:LIM:STAT ON")
    assert source.told["level_dbm"] == -10.0
    assert talk.ask("STAT:QUES:COND?") == "8"
    talk.write(":POW -20")
    assert (source.told["level_dbm"], talk.ask("STAT:QUES:COND?")) == (-20.0, "0")
    source.locked, source.unlevelled = False, True
    assert talk.ask("STAT:QUES:COND?") == "40"


def test_levelling_and_reference_reach_the_output(talk: Talk, source: Source) -> None:
    talk.write("POW:ALC OFF;:ROSC:SOUR EXT")
    assert (source.told["levelled"], source.told["external"]) == (False, True)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        (":FREQ 7 GHZ", -222),
        (":POW 21", -222),
        (":POW 1 HZ", -131),
        (":OUTP MAYBE", -224),
        (":ROSC:SOUR GPS", -224),
        (":OUTP", -109),
        (":CALC:MARK:MAX", -113),
    ],
)
def test_what_it_does_not_have_is_refused_and_changes_nothing(
    talk: Talk, source: Source, text: str, code: int
) -> None:
    before = source.told
    assert talk.refused(text) == code
    assert source.told == before


def test_a_change_is_complete_when_it_has_settled(talk: Talk, clock: VirtualClock) -> None:
    clock.sleep(1)
    talk.write(":FREQ 2 GHZ;*OPC")
    assert talk.ask("*ESR?") == "0"
    clock.sleep(0.01)
    assert talk.ask("*ESR?") == "1"


def test_the_text_on_the_screen_can_be_read_back(talk: Talk) -> None:
    talk.write(':DISP:TEXT "tx1 at 1842.5 MHz"')
    assert talk.ask(":DISP:TEXT?") == '"tx1 at 1842.5 MHz"'
