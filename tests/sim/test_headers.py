"""Program headers: SCPI-99 volume 1, chapter 6, and IEEE 488.2-1992 clause 7.6."""

from __future__ import annotations

import pytest

from hilkit.sim.scpi import Command, Tree
from hilkit.sim.status import ScpiError
from tests.sim.standin import Talk

TREE = Tree(
    [
        Command(pattern="*IDN", ask=lambda box: "identity"),
        Command(pattern="[:SENSe]:FREQuency:CENTer", ask=lambda box: "centre"),
        Command(pattern="[:SENSe]:FREQuency[:CW]:FIXed", ask=lambda box: "fixed"),
        Command(pattern=":INITiate[:IMMediate]", do=lambda box: None),
        Command(pattern=":INITiate:CONTinuous", ask=lambda box: "continuous"),
        Command(pattern=":OUTPut<1:2>[:STATe]", ask=lambda box: "output"),
        Command(pattern=":TEST:TREEA", ask=lambda box: "10"),
        Command(pattern=":TEST:TREEB", ask=lambda box: "20"),
    ]
)


def answer(header: str) -> str:
    command, _ = TREE.find(header, TREE.root)
    return str(command.answer(None, ()))


def code(header: str) -> int:
    with pytest.raises(ScpiError) as caught:
        TREE.find(header, TREE.root)
    return caught.value.code


@pytest.mark.parametrize(
    "header",
    [
        ":SENSe:FREQuency:CENTer",
        "SENS:FREQ:CENT",
        ":FREQ:CENT",
        "frequency:center",
        "Sense:Freq:Center",
        "SENS1:FREQ1:CENT1",
    ],
)
def test_short_and_long_forms_in_any_case_with_and_without_optional_nodes_are_one_header(header: str) -> None:
    assert answer(header) == "centre"


@pytest.mark.parametrize("header", ["FREQUEN:CENT", "FRE:CENT", "FREQ:CENTE", "SENSE:CENT", "CENT", "FREQ"])
def test_nothing_between_short_and_long_form_is_a_header(header: str) -> None:
    # SCPI-99 volume 1, clause 6.2.1: only the exact short and the exact long form
    assert code(header) == -113


def test_an_optional_node_in_the_middle_may_be_given_or_left_out() -> None:
    assert answer("FREQ:FIX") == answer("SENS:FREQ:CW:FIX") == "fixed"


def test_an_optional_node_at_the_end_may_be_given_or_left_out() -> None:
    assert TREE.find("INIT", TREE.root)[0] is TREE.find("INIT:IMM", TREE.root)[0]


def test_a_missing_numeric_suffix_means_one_and_a_wrong_one_is_minus_114() -> None:
    # SCPI-99 volume 1, clause 6.2.5.2
    assert answer("OUTP") == answer("OUTP1") == answer("OUTPUT2:STATE") == "output"
    assert code("OUTP3") == code("FREQ2:CENT") == -114


def test_a_mnemonic_of_more_than_twelve_characters_is_minus_112() -> None:
    # IEEE 488.2-1992 clause 7.6.1.4.1
    assert code("ABCDEFGHIJKLM") == -112


def test_the_implied_path_stays_at_the_parent_of_the_last_node() -> None:
    # SCPI-99 volume 1, clause 6.2.4
    _, path = TREE.find("FREQ:CENT", TREE.root)
    assert TREE.find("FIX", path)[0].pattern == "[:SENSe]:FREQuency[:CW]:FIXed"
    with pytest.raises(ScpiError):
        TREE.find("INIT:CONT", path)
    assert TREE.find(":INIT:CONT", path)[0].pattern == ":INITiate:CONTinuous"


def test_common_commands_leave_the_implied_path_alone() -> None:
    _, path = TREE.find(":TEST:TREEA", TREE.root)
    _, after = TREE.find("*IDN", path)
    assert TREE.find("TREEB", after)[0].pattern == ":TEST:TREEB"


def test_help_lists_every_header_and_whether_it_is_query_only() -> None:
    # SCPI-99 volume 2, SYSTem:HELP:HEADers?
    assert ":INITiate[:IMMediate]/nquery/" in TREE.headers()
    assert "[:SENSe]:FREQuency:CENTer?/qonly/" in TREE.headers()


def test_two_queries_in_one_message_answer_in_one_line(box: Talk) -> None:
    assert box.ask(":FREQ:STAR 1 GHZ;STOP 2 GHZ;:FREQ:STAR?;STOP?") == "1.000000000000E+09;2.000000000000E+09"


def test_the_terminator_takes_the_path_back_to_the_root(box: Talk) -> None:
    box.write(":FREQ:STAR 1 GHZ")
    assert box.refused("STOP 2 GHZ") == -113


def test_white_space_around_a_header_is_allowed_but_not_within(box: Talk) -> None:
    assert box.ask("  \t:SWE:POIN?  ") == "1001"
    assert box.refused(":SWE: POIN 11") == -111


def test_an_empty_message_and_an_empty_unit_are_nothing(box: Talk) -> None:
    box.write("")
    box.write(";;")
    assert box.errors() == []


def test_a_command_without_a_query_form_is_an_undefined_header_when_asked(box: Talk) -> None:
    assert box.refused(":INIT?") == -113
    assert box.refused(":SYST:VERS") == -113


def test_after_a_command_error_the_rest_of_the_message_is_not_carried_out(box: Talk) -> None:
    box.write(":NONSENSE;:SWE:POIN 101")
    assert box.errors() == ['-113,"Undefined header;:NONSENSE"']
    assert box.ask(":SWE:POIN?") == "1001"


def test_the_instrument_lists_its_headers_in_a_block(box: Talk) -> None:
    listing = box.ask(":SYST:HELP:HEAD?")
    assert listing.startswith("#4")
    assert "[:SENSe]:FREQuency:CENTer\n" in listing and "*IDN?/qonly/" in listing
