"""Over a link that fails once: asked again where that changes nothing, no command without a read-back."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.errors import LinkError, RefusedError
from tests.instruments.simulated import SimulatedBench, fault
from tests.instruments.test_simulated import SETUP, ready

CENTRE = ":SENSe:FREQuency:CENTer?"
RADIO = ("radio", "radio_head", "TCPIP0::127.0.0.1::5100::SOCKET")
KINDS = ("silence", "delay", "drip", "half_block", "garbage", "duplicate", "half_open", "dropped_connection")


@pytest.mark.parametrize("kind", KINDS)
def test_a_question_whose_answer_is_lost_is_asked_again_and_told(tmp_path: Path, kind: str) -> None:
    _, analyser = ready(tmp_path, fault(kind, CENTRE, after=2))
    told: list[str] = []
    analyser.link.on_retry = told.append
    assert analyser.read_number("centre") == SETUP.centre_hz
    assert analyser.read_number("span") == SETUP.span_hz
    assert len(told) == analyser.link.hiccups == 1
    assert ("again" in told[0] or "thrown away" in told[0]) and "analyser: " in told[0]


def test_before_it_goes_on_all_settings_are_read_back(tmp_path: Path) -> None:
    bench, analyser = ready(tmp_path, fault("silence", CENTRE, after=2))
    other = bench.manager.open_resource(bench.resource)
    other.write_raw(b":SENS:SWE:POIN 401\n")
    with pytest.raises(RefusedError, match="points reads 401, but 1001 was set: it has lost its settings"):
        analyser.read_number("centre")


def test_what_tells_of_an_event_is_asked_once_only(tmp_path: Path) -> None:
    """IEEE 488.2, 11.5.1.2: reading the event register clears it."""
    for question in ("*ESR?", ":SYSTem:ERRor:NEXT?", ":STATus:QUEStionable:EVENt?"):
        _, analyser = ready(tmp_path)
        asked: list[str] = []

        def lost(asked: list[str] = asked, question: str = question) -> str:
            asked.append(question)
            raise LinkError("no answer")

        with pytest.raises(LinkError):
            analyser.link.surely(question, lost)
        assert asked == [question]


def test_settings_whose_fate_is_unknown_are_all_set_again_and_read_back(tmp_path: Path) -> None:
    _, analyser = ready(tmp_path, fault("silence", ":SYSTem:ERRor", after=6))
    for _ in range(4):
        analyser.configure(SETUP)
    assert analyser.link.hiccups == 1


def test_a_restart_is_never_got_over_by_asking_again(tmp_path: Path) -> None:
    _, analyser = ready(tmp_path, fault("reboot", CENTRE, after=2))
    with pytest.raises(LinkError):
        analyser.read_number("centre")


@pytest.mark.parametrize("when", ["trim 1 12", "trim 1"])
@pytest.mark.parametrize("kind", ["silence", "garbage", "delay", "half_block"])
def test_a_setting_of_the_radio_is_read_back_and_set_again_if_it_has_not_come(
    tmp_path: Path, kind: str, when: str
) -> None:
    radio = SimulatedBench(tmp_path, faults=[fault(kind, when, "radio")]).open(*RADIO)
    radio.set_attenuation(1, 12.0)
    assert radio.attenuation(1) == 12.0
    assert radio.console.hiccups >= 1


def test_rf_goes_off_although_the_radio_has_lost_its_settings(tmp_path: Path) -> None:
    bench = SimulatedBench(tmp_path, faults=[fault("silence", "rf 1 off", "radio")])
    radio = bench.open(*RADIO)
    radio.set_attenuation(1, 12.0)
    radio.set_rf(1, True)
    bench.world.radio.handle_line("trim 1 3")
    radio.set_rf(1, False)
    assert bench.world.radio.handle_line("rf 1") == "rf 1 off"
