"""The in-process VISA library, spoken to through PyVISA; statuses as in VPP-4.3, rules 6.1.1 to 6.1.7."""

from __future__ import annotations

import time
from collections.abc import Iterator
from importlib import metadata

import numpy as np
import pytest
import pyvisa
from pyvisa import constants
from pyvisa.constants import StatusCode
from pyvisa_sim.highlevel import SimVisaLibrary
from pyvisa_sim.sessions.session import Session

from hilkit.clock import VirtualClock, WallClock
from hilkit.quantities import Duration
from hilkit.sim import open_simulated
from hilkit.sim.profile import Profile, load_profile
from tests.sim.standin import Row

SOCKET = "TCPIP0::127.0.0.1::5025::SOCKET"
RADIO = "TCPIP0::127.0.0.1::5100::SOCKET"
INSTR = "TCPIP0::analyser.example::inst0::INSTR"


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile("simulated_pier")


@pytest.fixture(scope="module")
def instr_profile(profile: Profile) -> Profile:
    """The same bench with the analyser behind a message protocol."""
    file = profile.file
    analyser = file.analysers["analyser"].model_copy(update={"resource": INSTR})
    return Profile(file=file.model_copy(update={"analysers": {"analyser": analyser}}), folder=profile.folder)


@pytest.fixture
def manager(profile: Profile, clock: VirtualClock) -> Iterator[pyvisa.ResourceManager]:
    opened, _ = open_simulated(profile, clock, 7)
    yield opened
    opened.close()


@pytest.fixture
def instr_manager(instr_profile: Profile, clock: VirtualClock) -> Iterator[pyvisa.ResourceManager]:
    opened, _ = open_simulated(instr_profile, clock, 7)
    yield opened
    opened.close()


def connect(manager: pyvisa.ResourceManager, resource: str = SOCKET) -> pyvisa.resources.MessageBasedResource:
    opened = manager.open_resource(resource, write_termination="\n", read_termination="\n")
    assert isinstance(opened, pyvisa.resources.MessageBasedResource)
    return opened


def test_the_library_class_underneath_is_the_one_this_was_written_for() -> None:
    # PyVISA-sim is pinned: these are its parts that the library stands on
    assert metadata.version("pyvisa-sim").startswith("0.7.")
    assert {"_init", "_register", "get_attribute", "set_attribute", "open_default_resource_manager"} <= set(
        dir(SimVisaLibrary)
    )
    socket = Session.get_session_class(constants.InterfaceType.tcpip, "SOCKET")
    instr = Session.get_session_class(constants.InterfaceType.tcpip, "INSTR")
    assert {"attrs", "parsed"} <= set(vars(socket(0, SOCKET))) & set(vars(instr(0, INSTR)))


def test_resources_are_listed_by_a_visa_expression(manager: pyvisa.ResourceManager) -> None:
    assert SOCKET in manager.list_resources("?*")
    assert manager.list_resources("?*::INSTR") == ()
    assert len(manager.list_resources("TCPIP?*::SOCKET")) == 7


def test_an_ordinary_resource_manager_talks_to_every_instrument(manager: pyvisa.ResourceManager) -> None:
    assert isinstance(manager, pyvisa.ResourceManager)
    names = [
        connect(manager, f"TCPIP0::127.0.0.1::{port}::SOCKET").query("*IDN?") for port in (5025, 5026, 5027)
    ]
    assert all(name.count(",") == 3 for name in names)
    radio = connect(manager, RADIO)
    assert [radio.query("about"), radio.read()][1].startswith("about model=")


def test_a_resource_may_be_written_in_short(manager: pyvisa.ResourceManager) -> None:
    assert connect(manager, "tcpip::127.0.0.1::5025::SOCKET").query("*ESE?") == "0"


def test_a_resource_that_is_not_there_is_not_found(manager: pyvisa.ResourceManager) -> None:
    with pytest.raises(pyvisa.VisaIOError) as caught:
        connect(manager, "TCPIP0::127.0.0.1::9999::SOCKET")
    assert caught.value.error_code == StatusCode.error_resource_not_found


def test_two_benches_are_two(profile: Profile) -> None:
    benches = [open_simulated(profile, VirtualClock(), 7) for _ in range(2)]
    first, second = (connect(manager) for manager, _ in benches)
    first.write(":SWE:POIN 101")
    assert (first.query(":SWE:POIN?"), second.query(":SWE:POIN?")) == ("101", "1001")
    assert benches[0][1] is not benches[1][1]
    for manager, _ in benches:
        manager.close()


def test_a_closed_bench_is_forgotten(profile: Profile) -> None:
    manager, _ = open_simulated(profile, VirtualClock())
    library = manager.visalib
    manager.close()
    assert library not in type(library)._registry.values()


def test_a_silent_instrument_costs_seconds_of_the_clock_not_of_the_wall(
    profile: Profile, clock: VirtualClock
) -> None:
    manager, _ = open_simulated(
        profile, clock, faults=[Row(kind="silence", instrument="analyser", when="*IDN?")]
    )
    link = connect(manager)
    link.timeout = 30_000
    wall, start = time.monotonic(), clock.now()
    with pytest.raises(pyvisa.VisaIOError) as caught:
        link.query("*IDN?")
    assert caught.value.error_code == StatusCode.error_timeout
    assert clock.now() - start == pytest.approx(30, abs=0.01)
    assert time.monotonic() - wall < 2
    assert link.query("*ESE?") == "0"
    manager.close()


def test_a_blocked_read_does_not_look_at_the_watchers_of_the_clock(
    manager: pyvisa.ResourceManager, clock: VirtualClock
) -> None:
    looks: list[float] = []
    clock.watch(lambda: looks.append(clock.now()))
    with pytest.raises(pyvisa.VisaIOError):
        connect(manager).read()
    assert looks == []


def test_an_infinite_timeout_ends_after_two_minutes(
    manager: pyvisa.ResourceManager, clock: VirtualClock
) -> None:
    link = connect(manager)
    link.timeout = None
    start = clock.now()
    with pytest.raises(pyvisa.VisaIOError):
        link.read()
    assert clock.now() - start == pytest.approx(120)


def test_a_query_that_waits_for_a_sweep_takes_just_the_sweep(
    manager: pyvisa.ResourceManager, clock: VirtualClock
) -> None:
    link = connect(manager)
    link.timeout = 60_000
    link.write("*RST;:SWE:TIME 20;:INIT")
    start = clock.now()
    assert link.query("*OPC?") == "1"
    assert clock.now() - start == pytest.approx(20, abs=0.01)


def test_a_query_that_waits_longer_than_the_timeout_leaves_its_answer_in_the_stream(
    manager: pyvisa.ResourceManager, clock: VirtualClock
) -> None:
    link = connect(manager)
    link.write("*RST;:SWE:TIME 20;:INIT")
    with pytest.raises(pyvisa.VisaIOError):
        link.query("*OPC?")
    clock.sleep(20)
    assert link.query(":SWE:POIN?") == "1"
    assert link.read() == "1001"
    link.close()
    assert connect(manager).query(":SWE:POIN?") == "1001"


def test_device_clear_on_a_message_connection_brings_it_back_in_step(
    instr_manager: pyvisa.ResourceManager, clock: VirtualClock
) -> None:
    link = connect(instr_manager, INSTR)
    link.write("*RST;:SWE:TIME 20;:INIT")
    with pytest.raises(pyvisa.VisaIOError):
        link.query("*OPC?")
    link.clear()
    clock.sleep(20)
    assert link.query(":SWE:POIN?") == "1001"


def test_a_message_connection_has_end_serial_poll_and_query_errors(
    instr_manager: pyvisa.ResourceManager,
) -> None:
    link = instr_manager.open_resource(INSTR)
    assert isinstance(link, pyvisa.resources.MessageBasedResource)
    link.write("*CLS;*SRE 16", termination="\n")
    link.write("*IDN?", termination="\n")
    assert link.read_stb() == 16 + 64
    assert link.read_raw().endswith(b"\n")
    assert link.read_stb() == 0
    with pytest.raises(pyvisa.VisaIOError):
        link.read()
    assert link.query(":SYST:ERR?\n") == '-420,"Query UNTERMINATED"\n'


def test_a_socket_has_no_serial_poll(manager: pyvisa.ResourceManager) -> None:
    with pytest.raises(pyvisa.VisaIOError) as caught:
        connect(manager).read_stb()
    assert caught.value.error_code == StatusCode.error_nonsupported_operation


def test_reads_end_as_the_standard_says(instr_manager: pyvisa.ResourceManager) -> None:
    link = connect(instr_manager, INSTR)
    library = instr_manager.visalib
    link.write("*ESE?;*SRE?")
    with link.ignore_warning(StatusCode.success_max_count_read):
        assert library.read(link.session, 2) == (b"0;", StatusCode.success_max_count_read)
    assert library.read(link.session, 100) == (b"0\n", StatusCode.success)
    link.set_visa_attribute(constants.ResourceAttribute.termchar, ord(";"))
    link.set_visa_attribute(constants.ResourceAttribute.termchar_enabled, True)
    link.write("*ESE?;*SRE?")
    assert library.read(link.session, 100) == (b"0;", StatusCode.success_termination_character_read)
    assert link.last_status == StatusCode.success_termination_character_read


def test_a_socket_without_termination_character_reads_by_count(manager: pyvisa.ResourceManager) -> None:
    link = manager.open_resource(SOCKET)
    assert isinstance(link, pyvisa.resources.MessageBasedResource)
    link.write("*ESE?", termination="\n")
    assert link.read_bytes(2) == b"0\n"
    link.write("*ESE?", termination="\n")
    with pytest.raises(pyvisa.VisaIOError):
        link.read_bytes(3)


@pytest.mark.parametrize("resource", [SOCKET, INSTR])
def test_binary_blocks_come_whole_in_both_byte_orders(request: pytest.FixtureRequest, resource: str) -> None:
    link = connect(request.getfixturevalue("manager" if resource == SOCKET else "instr_manager"), resource)
    link.write("*RST;:FREQ:CENT 1842.5 MHZ;SPAN 20 MHZ;:INIT;*WAI")
    traces = []
    for order, big in (("NORM", True), ("SWAP", False)):
        link.write(f":FORM REAL,32;:FORM:BORD {order}")
        traces.append(link.query_binary_values(":TRAC? TRACE1", is_big_endian=big, container=np.array))
    link.write(":FORM ASC")
    ascii_values = link.query_ascii_values(":TRAC? TRACE1", container=np.array)
    assert len(traces[0]) == 1001
    assert np.array_equal(traces[0], traces[1])
    assert np.allclose(traces[0], ascii_values, atol=1e-4)


def test_a_trace_of_1001_points_is_one_copy_not_a_loop_over_bytes(manager: pyvisa.ResourceManager) -> None:
    # byte by byte it takes 5 ms; a generous bound, the figure itself belongs to tests/speed
    link = connect(manager)
    link.write("*RST;:FORM REAL,32;:INIT;*WAI")
    best = 1.0
    for _ in range(20):
        start = time.perf_counter()
        link.query_binary_values(":TRAC? TRACE1", is_big_endian=True, container=np.array)
        best = min(best, time.perf_counter() - start)
    assert best < 1.5e-3


def test_a_dropped_connection_is_an_error_and_a_new_one_works(profile: Profile, clock: VirtualClock) -> None:
    manager, _ = open_simulated(
        profile, clock, faults=[Row(kind="dropped_connection", instrument="analyser", when=":INIT")]
    )
    link = connect(manager)
    with pytest.raises(pyvisa.VisaIOError) as caught:
        link.write(":INIT")
    assert caught.value.error_code == StatusCode.error_connection_lost
    with pytest.raises(pyvisa.VisaIOError):
        link.read()
    link.close()
    assert connect(manager).query("*ESE?") == "0"
    manager.close()


def test_the_radio_takes_one_client(manager: pyvisa.ResourceManager) -> None:
    first = connect(manager, RADIO)
    with pytest.raises(pyvisa.VisaIOError) as caught:
        connect(manager, RADIO)
    assert caught.value.error_code == StatusCode.error_resource_busy
    first.close()
    connect(manager, RADIO)


def test_time_on_a_wall_clock_is_time(profile: Profile) -> None:
    manager, _ = open_simulated(
        profile, WallClock(), faults=[Row(kind="delay", instrument="analyser", delay=Duration.parse("60 ms"))]
    )
    start = time.monotonic()
    link = connect(manager)
    assert link.query("*ESE?") == "0"
    assert 0.06 <= time.monotonic() - start < 1
    link.timeout = 50
    with pytest.raises(pyvisa.VisaIOError):
        link.read()
    manager.close()


def test_latency_is_what_each_command_costs(profile: Profile, clock: VirtualClock) -> None:
    manager, _ = open_simulated(profile, clock, latency_s=0.25)
    start = clock.now()
    connect(manager).query("*ESE?")
    assert clock.now() - start == pytest.approx(0.25)
    manager.close()


def test_the_same_seed_step_and_acquisition_give_the_same_trace_whatever_ran_before(profile: Profile) -> None:
    def trace(seed: int, before: int) -> str:
        manager, _ = open_simulated(profile, VirtualClock(), seed)
        link = connect(manager)
        link.write("*RST;:FREQ:CENT 1842.5 MHZ;SPAN 20 MHZ;:DISP:TEXT 'earlier'")
        for _ in range(before):
            link.write(":INIT;*WAI")
        link.write(":DISP:TEXT 'tone channel=1';:INIT;*WAI")
        answer = str(link.query(":TRAC? TRACE1"))
        manager.close()
        return answer

    assert trace(3, before=0) == trace(3, before=4)
    assert trace(3, before=0) != trace(4, before=0)


def test_a_socket_told_to_do_so_hands_over_what_came_before_the_timeout(
    profile: Profile, clock: VirtualClock
) -> None:
    """As PyVISA-py does with VI_ATTR_SUPPRESS_END_EN off, so that a cut-off block is counted."""
    half = Row(kind="half_block", instrument="analyser", when="*IDN?", count=2)
    opened, _ = open_simulated(profile, clock, 7, faults=[half])
    link = connect(opened)
    link.write("*IDN?")
    with pytest.raises(pyvisa.VisaIOError):
        link.read_raw()
    link = connect(opened)
    link.set_visa_attribute(constants.ResourceAttribute.suppress_end_enabled, False)
    link.write("*IDN?")
    assert link.read_raw().startswith(b"Bench Lab")
    opened.close()


@pytest.mark.parametrize("port", ["ASRL/dev/ttyUSB0::INSTR", "ASRLCOM7::INSTR", "ASRL3::INSTR"])
def test_a_simulated_instrument_may_stand_at_any_serial_port(
    profile: Profile, clock: VirtualClock, port: str
) -> None:
    file = profile.file
    radio = file.radio.model_copy(update={"resource": port})
    opened, _ = open_simulated(
        Profile(file=file.model_copy(update={"radio": radio}), folder=profile.folder), clock, 7
    )
    link = connect(opened, port)
    assert [link.query("about"), link.read()][1].startswith("about model=")
    assert link.resource_name == port
    opened.close()
