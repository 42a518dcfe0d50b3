"""The link over a real loopback socket with PyVISA-py: what an in-memory session cannot show."""

import socket
import threading
import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest
import pyvisa

from hilkit.clock import WallClock
from hilkit.errors import LinkError, ReplyError
from hilkit.instruments import LinkSettings, ScpiLink
from tests.instruments.bench import IDENTITY, Lines, block

DATA = np.arange(1001, dtype=">f4")


class Server:
    """Answers lines on 127.0.0.1 with bytes, with silence (None), or by a function of the connection."""

    def __init__(self) -> None:
        self.answers: dict[str, bytes | Callable[[socket.socket], None] | None] = {
            "*IDN?": IDENTITY.encode() + b"\n",
            "*ESR?": b"0\n",
            ":SYSTem:ERRor:NEXT?": b'0,"No error"\n',
            ":TRACE?": block(DATA.tobytes()),
        }
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.connections = 0
        self.open: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            self.connections += 1
            self.open.append(connection)
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        try:
            with connection, connection.makefile("rb") as lines:
                for line in lines:
                    answer = self.answers.get(line.decode().strip())
                    if callable(answer):
                        answer(connection)
                    elif answer is not None:
                        connection.sendall(answer)
        except OSError:
            return

    def close(self) -> None:
        self.listener.close()
        for connection in self.open:
            connection.close()


@pytest.fixture
def server() -> Iterator[Server]:
    found = Server()
    yield found
    found.close()


@pytest.fixture
def link(server: Server) -> Iterator[ScpiLink]:
    manager = pyvisa.ResourceManager("@py")
    found = ScpiLink(
        manager,
        f"TCPIP::127.0.0.1::{server.port}::SOCKET",
        name="analyser",
        clock=WallClock(),
        transcript=Lines(),
        settings=LinkSettings(timeout_s=0.08),
    )
    found.identify()
    yield found
    found.close()
    manager.close()


def test_lines_and_blocks_come_over_a_real_socket(link: ScpiLink) -> None:
    for _ in range(3):
        assert np.array_equal(link.ask_values(":TRACE?", count=1001), DATA)
        assert link.ask("*IDN?") == IDENTITY


def test_a_block_without_its_terminator_leaves_the_link_in_step(server: Server, link: ScpiLink) -> None:
    server.answers[":TRACE?"] = block(DATA.tobytes(), b"")
    assert np.array_equal(link.ask_values(":TRACE?", count=1001), DATA)
    assert link.ask("*IDN?") == IDENTITY


def test_a_line_in_pieces_is_put_together(server: Server, link: ScpiLink) -> None:
    def pieces(connection: socket.socket) -> None:
        connection.sendall(b"1.2")
        time.sleep(0.05)
        connection.sendall(b"5\n")

    server.answers[":X?"] = pieces
    assert link.ask_float(":X?") == 1.25


def test_after_a_timeout_the_late_answer_is_gone_with_its_connection(server: Server, link: ScpiLink) -> None:
    def late(connection: socket.socket) -> None:
        time.sleep(0.12)
        connection.sendall(b"-1\n")

    server.answers |= {":SLOW?": late, ":X?": b"2\n"}
    with pytest.raises(LinkError, match="the link is back in step"):
        link.ask(":SLOW?")
    assert server.connections == 2
    assert link.ask(":X?") == "2"


def test_a_block_that_stops_early_names_its_bytes(server: Server, link: ScpiLink) -> None:
    server.answers[":TRACE?"] = block(DATA.tobytes())[:2006]
    with pytest.raises(ReplyError, match="got 2000 of 4004 bytes"):
        link.ask_values(":TRACE?", count=1001)
    assert link.ask("*IDN?") == IDENTITY


def test_a_connection_that_the_instrument_ends_is_a_link_error(server: Server, link: ScpiLink) -> None:
    server.answers[":X?"] = lambda connection: connection.shutdown(socket.SHUT_RDWR)
    with pytest.raises(LinkError):
        link.ask(":X?")
    assert link.ask("*IDN?") == IDENTITY


def test_a_port_where_nobody_listens_is_a_link_error_at_the_first_word() -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        port = unused.getsockname()[1]
    manager = pyvisa.ResourceManager("@py")
    with pytest.raises(LinkError, match=r"analyser: cannot .*the connection was refused|lost") as caught:
        ScpiLink(manager, f"TCPIP::127.0.0.1::{port}::SOCKET", name="analyser", clock=WallClock()).identify()
    assert caught.value.next_step
    manager.close()


def test_a_command_before_a_query_does_not_stall(link: ScpiLink) -> None:
    """Delayed acknowledgement and small segments wait for each other for 40 ms (RFC 896 and RFC 1122,
    4.2.3.2).
    """
    began = time.perf_counter()
    for _ in range(20):
        link.set("*CLS")
        link.set("*CLS")
        link.ask("*ESR?")
    assert time.perf_counter() - began < 0.4
