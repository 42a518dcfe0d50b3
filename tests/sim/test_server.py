"""The bench over the wire: raw sockets on the loopback interface, with plain sockets and with PyVISA-py."""

from __future__ import annotations

import os
import socket
import struct
import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest
import pyvisa

from hilkit.clock import Clock, VirtualClock, WallClock
from hilkit.sim import serve
from hilkit.sim.profile import Profile, load_profile
from hilkit.sim.server import Server
from hilkit.sim.world import World
from tests.sim.standin import Row


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile("simulated_pier")


def start(profile: Profile, clock: Clock, *rows: Row) -> Server:
    return serve(World(profile, clock, 7), latency_s=0.0, faults=rows)


@pytest.fixture
def server(profile: Profile, clock: VirtualClock) -> Iterator[Server]:
    with start(profile, clock) as running:
        yield running


class Client:
    def __init__(self, server: Server, name: str = "analyser") -> None:
        self.socket = socket.create_connection(server.addresses[name], timeout=5)
        self._file = self.socket.makefile("rb")

    def write(self, text: str) -> None:
        self.socket.sendall(text.encode() + b"\n")

    def read(self) -> str:
        return self._file.readline().decode().removesuffix("\n")

    def ask(self, text: str) -> str:
        self.write(text)
        return self.read()

    def read_until(self, end: bytes) -> None:
        seen = b""
        while not seen.endswith(end):
            seen += self._file.read(1)

    def close(self) -> None:
        self._file.close()
        self.socket.close()


def test_every_instrument_has_an_address_of_its_own(server: Server) -> None:
    assert set(server.addresses) >= {"analyser", "pad", "relay", "generator", "power_meter", "radio"}
    assert len(set(server.addresses.values())) == len(server.addresses)
    client = Client(server)
    assert client.ask("*IDN?").count(",") == 3
    client.close()


def test_ports_can_be_chosen_and_a_taken_one_is_an_error(profile: Profile, server: Server) -> None:
    taken = server.addresses["analyser"][1]
    world = World(profile, VirtualClock())
    with pytest.raises(OSError):
        serve(world, ports={"analyser": taken})
    with socket.create_server(("127.0.0.1", 0)) as probe:
        free = probe.getsockname()[1]
    with serve(world, ports={"analyser": free}) as other:
        assert other.addresses["analyser"] == ("127.0.0.1", free)


def test_several_clients_share_an_instrument(server: Server) -> None:
    one, two = Client(server), Client(server)
    one.write(":SWE:POIN 101")
    assert one.ask("*OPC?") == "1"
    assert two.ask(":SWE:POIN?") == "101"
    one.close()
    assert two.ask("*ESE?") == "0"
    two.close()


def test_a_client_that_waits_for_a_sweep_moves_the_virtual_time_to_its_end(
    server: Server, clock: VirtualClock
) -> None:
    client = Client(server)
    before, wall = clock.now(), time.monotonic()
    assert client.ask("*RST;:SWE:TIME 1000;:INIT;*OPC?") == "1"
    assert clock.now() - before >= 1000
    assert time.monotonic() - wall < 2
    client.close()


def test_a_client_that_polls_sees_time_move_only_by_the_clock_it_shares(
    server: Server, clock: VirtualClock
) -> None:
    client = Client(server)
    client.write("*RST;*CLS;:SWE:TIME 1000;:INIT;*OPC")
    assert client.ask("*ESR?") == "0"
    clock.sleep(1000)
    assert client.ask("*ESR?") == "1"
    client.close()


def test_a_wait_begins_after_what_was_sent_before_it(server: Server, clock: VirtualClock) -> None:
    """Else the time of the wait would pass before the instrument has read the command that it is for."""
    client = Client(server)
    client.ask("*RST;*CLS;*OPC?")
    for _ in range(100):
        client.write(":SWE:TIME 1000;:INIT;*OPC")
        clock.sleep(1000)
        assert client.ask("*ESR?") == "1"
    client.close()


def test_with_a_wall_clock_an_answer_comes_when_it_is_due(profile: Profile) -> None:
    with start(profile, WallClock()) as server:
        client = Client(server)
        assert client.ask("*RST;:SWE:TIME 0.15;*OPC?") == "1"
        wall = time.monotonic()
        assert client.ask(":INIT;*OPC?") == "1"
        assert 0.15 <= time.monotonic() - wall < 0.5
        client.close()


def test_pyvisa_py_reads_blocks_and_texts_over_loopback(server: Server) -> None:
    manager = pyvisa.ResourceManager("@py")
    host, port = server.addresses["analyser"]
    link = manager.open_resource(
        f"TCPIP0::{host}::{port}::SOCKET", write_termination="\n", read_termination="\n"
    )
    assert isinstance(link, pyvisa.resources.MessageBasedResource)
    link.write("*RST;:FREQ:CENT 1842.5 MHZ;SPAN 20 MHZ;:FORM REAL,32;:INIT;*WAI")
    values = link.query_binary_values(":TRAC? TRACE1", is_big_endian=True, container=np.array)
    assert len(values) == 1001 and np.all(values < 40)
    assert link.query("*ESE?") == "0"
    link.close()
    manager.close()


def test_a_second_client_of_the_radio_is_turned_away(server: Server) -> None:
    first = Client(server, "radio")
    assert [first.ask("about"), first.read()][1].startswith("about model=")
    second = Client(server, "radio")
    assert second.socket.recv(100) == b""
    second.close()
    first.close()


def test_a_client_that_was_killed_keeps_the_radio_busy_for_seconds(
    server: Server, clock: VirtualClock
) -> None:
    first = Client(server, "radio")
    first.ask("about")
    # a closed socket with zero linger sends a reset, as the system does for a killed client with unread bytes
    linger = struct.pack("hh" if os.name == "nt" else "ii", 1, 0)
    first.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
    first.close()
    radio = server.bench.instruments["radio"]
    _until(lambda: radio.refuses and radio._current is None)  # type: ignore[attr-defined]
    clock.sleep(3.1)
    again = Client(server, "radio")
    assert again.ask("about") == "about"
    again.close()


def test_a_client_that_leaves_in_order_frees_the_radio_at_once(server: Server) -> None:
    for _ in range(3):
        client = Client(server, "radio")
        assert client.ask("about") == "about"
        client.read_until(b"ph> ")
        client.close()
        _until(lambda: not server.bench.instruments["radio"].refuses)


def test_a_dropped_connection_ends_at_the_client(profile: Profile, clock: VirtualClock) -> None:
    with start(profile, clock, Row(kind="dropped_connection", instrument="analyser", when=":INIT")) as server:
        client = Client(server)
        client.write(":INIT")
        assert client.read() == ""
        client.close()
        again = Client(server)
        assert again.ask("*ESE?") == "0"
        again.close()


def test_closing_ends_all_threads_and_frees_the_ports(profile: Profile, clock: VirtualClock) -> None:
    server = start(profile, clock)
    client = Client(server)
    assert client.ask("*ESE?") == "0"
    address = server.addresses["analyser"]
    server.close()
    assert not any(thread.is_alive() for thread in server._threads)
    with pytest.raises(OSError):
        socket.create_connection(address, timeout=1).close()
    client.close()


def _until(condition: Callable[[], bool], seconds: float = 3.0) -> None:
    """Wait in wall time for another thread; the only wait of these tests, and it ends with the event."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.002)
