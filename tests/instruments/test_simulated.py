"""The instruments on the simulated bench, through PyVISA, with faults on order."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hilkit.errors import LinkError, RefusedError, ReplyError
from hilkit.files import Lab
from hilkit.instruments import load_dialect, open_instrument
from hilkit.instruments.visa import explain
from tests.instruments.bench import INSTR, SOCKET
from tests.instruments.simulated import SimulatedBench, fault
from tests.instruments.test_contrary import SETUP


def ready(tmp_path: Path, *faults: object, resource: str = SOCKET):
    bench = SimulatedBench(tmp_path, resource=resource, faults=faults)
    analyser = bench.analyser()
    analyser.identity()
    analyser.prepare(reference="external")
    analyser.configure(SETUP)
    return bench, analyser


@pytest.mark.parametrize("resource", [SOCKET, INSTR])
def test_a_trace_comes_over_a_socket_and_over_an_interface_with_end(tmp_path: Path, resource: str) -> None:
    bench, analyser = ready(tmp_path, resource=resource)
    began = bench.clock.now()
    trace = analyser.acquire()
    assert trace.level_dbm.shape == (1001,)
    assert 1.0 <= bench.clock.now() - began < 1.3
    assert analyser.status().reference_locked
    analyser.annotate("step 1")
    assert analyser.errors() == []


@pytest.mark.parametrize("resource", [SOCKET, INSTR])
def test_silence_is_a_timeout_after_which_the_next_answer_is_the_right_one(
    tmp_path: Path, resource: str
) -> None:
    _, analyser = ready(
        tmp_path, fault("silence", ":SENSe:FREQuency:CENTer?", after=2, count=2), resource=resource
    )
    with pytest.raises(LinkError, match="back in step"):
        analyser.read("centre")
    assert analyser.read("centre") == 1842.5e6


@pytest.mark.parametrize("resource", [SOCKET, INSTR])
def test_an_answer_that_comes_late_is_never_taken_for_another(tmp_path: Path, resource: str) -> None:
    _, analyser = ready(
        tmp_path, fault("delay", ":SENSe:FREQuency:CENTer?", after=2, count=2), resource=resource
    )
    with pytest.raises(LinkError, match="no answer"):
        analyser.read("centre")
    assert analyser.read("span") == 60e6


def test_half_a_block_is_a_reply_error_and_the_link_recovers(tmp_path: Path) -> None:
    _, analyser = ready(tmp_path, fault("half_block", ":TRACe", count=2))
    with pytest.raises((ReplyError, LinkError), match=r"of 4004 bytes|no answer"):
        analyser.acquire()
    assert analyser.acquire().level_dbm.shape == (1001,)


def test_garbage_for_a_number_is_shown(tmp_path: Path) -> None:
    _, analyser = ready(tmp_path, fault("garbage", ":SENSe:FREQuency:CENTer?", after=2, count=2))
    with pytest.raises((ReplyError, LinkError), match="CENTer"):
        analyser.read("centre")


def test_not_a_number_for_a_number_is_an_error(tmp_path: Path) -> None:
    """SCPI-99 volume 1, clause 7.2.1: 9.91E37."""
    _, analyser = ready(tmp_path, fault("nan", ":SENSe:FREQuency:CENTer?", after=2))
    with pytest.raises(ReplyError, match="not-a-number"):
        analyser.read("centre")


def test_a_refused_setting_is_named(tmp_path: Path) -> None:
    _, analyser = ready(tmp_path, fault("refusal", ":SENSe:BANDwidth:RESolution 30000", count=2))
    with pytest.raises(RefusedError, match="rbw"):
        analyser.configure(replace(SETUP, rbw_hz=30e3))


def test_a_restart_in_the_middle_is_said_to_have_lost_the_settings(tmp_path: Path) -> None:
    """SCPI-99 volume 2, clause 21.8: -500, Power on."""
    _, analyser = ready(tmp_path, fault("reboot", ":SENSe:FREQuency:SPAN ", after=2))
    with pytest.raises(LinkError):
        analyser.configure(SETUP)
        analyser.configure(SETUP)


def test_a_dropped_connection_is_a_link_error_and_the_next_use_opens_it_again(tmp_path: Path) -> None:
    _, analyser = ready(tmp_path, fault("dropped_connection", ":SENSe:FREQuency:CENTer?", after=2, count=2))
    with pytest.raises(LinkError):
        analyser.read("centre")
    assert analyser.read("span") == 60e6


def test_the_small_instruments_work_over_pyvisa(tmp_path: Path) -> None:
    bench = SimulatedBench(tmp_path)
    pad = bench.open("pad", "step_attenuator", "TCPIP0::127.0.0.1::5026::SOCKET")
    assert pad.range == (0.0, 63.0, 1.0)
    assert pad.set(31.0) == 31.0
    with pytest.raises(RefusedError, match="-222"):
        pad.set(64.0)
    relay = bench.open("relay", "switch_matrix", "TCPIP0::127.0.0.1::5027::SOCKET")
    relay.route([102])
    assert relay.closed() == (102,)


def test_the_radio_is_understood_amid_its_chatter(tmp_path: Path) -> None:
    bench = SimulatedBench(tmp_path)
    radio = bench.open("radio", "radio_head", "TCPIP0::127.0.0.1::5100::SOCKET")
    assert radio.identity().model == "PH2-220"
    radio.set_reference("external")
    for _ in range(100):
        bench.clock.sleep(7.0)
        assert radio.temperature_c() > 0
    assert any(text.startswith("~") for _, _, text in bench.transcript.entries)
    radio.set_carrier(2, 2350e6)
    radio.set_attenuation(2, 31.5)
    radio.play_tone(2, 7.5e6, -12.0)
    radio.start_stream(2)
    radio.stop_stream(2)
    radio.set_rf(2, False)
    with pytest.raises(RefusedError, match="refused"):
        radio.set_carrier(2, 2000e6)
    assert np.isclose(radio.carrier(2), 2350e6)


def test_a_silent_radio_is_a_link_error_and_answers_afterwards(tmp_path: Path) -> None:
    bench = SimulatedBench(tmp_path, faults=[fault("silence", "warmth", "radio", count=2)])
    radio = bench.open("radio", "radio_head", "TCPIP0::127.0.0.1::5100::SOCKET")
    with pytest.raises(LinkError, match="back in step"):
        radio.temperature_c()
    assert radio.temperature_c() > 0


def test_half_a_block_over_a_socket_is_counted(tmp_path: Path) -> None:
    """Half of the 4004 bytes and of the header of six: what came is told, as from a real socket."""
    _, analyser = ready(tmp_path, fault("half_block", ":TRACe", count=2))
    with pytest.raises(ReplyError, match=r"cut off, got (1999|2000) of 4004 bytes"):
        analyser.acquire()


def test_a_trace_comes_as_ascii_where_the_driver_file_says_so(tmp_path: Path) -> None:
    """FORMat:DATA? gives the type and its length, as ASC,0 (SCPI-99 volume 2, chapter 9, from memory)."""
    folder = tmp_path / "drivers"
    folder.mkdir()
    text = "driver: mine\nbase: signal_analyser\ninstrument_class: signal_analyser\n"
    text += 'trace: {query: ":TRACe:DATA? TRACE1", format: ascii, byte_order: big, layout: y}\n'
    (folder / "mine.yaml").write_text(text, encoding="utf-8")
    bench = SimulatedBench(tmp_path)
    analyser = open_instrument(
        load_dialect("mine", Lab(tmp_path)),
        name="analyser",
        clock=bench.clock,
        resource_manager=bench.manager,
        resource=SOCKET,
        transcript=bench.transcript,
    )
    analyser.identity()
    analyser.prepare(reference="external")
    assert any(text == "ASC,0" for _, way, text in bench.transcript.entries if way == "<-")
    analyser.configure(SETUP)
    assert analyser.acquire().level_dbm.shape == (1001,)


@pytest.mark.parametrize(
    ("resource", "package"), [("GPIB0::9::INSTR", "gpib"), ("USB0::1::2::SN::INSTR", "PyUSB")]
)
def test_an_interface_without_its_package_says_what_to_install(resource: str, package: str) -> None:
    """The words of PyVISA-py 0.8 where a package is not installed."""
    error = ValueError(f"Please install {package} to use this resource type.")
    told = explain(error, name="analyser", doing=f"open {resource}")
    assert "there is no support for this interface" in told.message
    assert package in told.message
    assert "--visa" in told.next_step
