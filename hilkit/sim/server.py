"""The simulated bench over the wire: raw SCPI sockets on this machine.

One thread waits for clients of each instrument, one serves each client. With a wall clock, answers come when
they are due; with a virtual clock that the test's own thread shares, a client that waits for an operation
moves the time to its end, because nobody else would while the client is blocked in its read, and a wait of
the client first lets arrive what it has sent.
"""

from __future__ import annotations

import contextlib
import math
import select
import socket
import threading
from collections.abc import Callable, Mapping
from types import TracebackType

from hilkit.clock import VirtualClock
from hilkit.sim.bench import SimulatedBench
from hilkit.sim.device import Device, Instrument
from hilkit.sim.traffic import Traffic

__all__ = ["Server"]

IDLE_S = 0.05
"""Longest wait in seconds before a thread looks at its stop flag and its instrument again."""

STUCK_S = 10.0
"""Seconds after which a client that takes no bytes counts as gone: half-open connections end."""

CHUNK = 1 << 16


class Server:
    """Servers for all instruments of a bench; ends with :meth:`close` or as a context manager.

    ``addresses`` holds host and port by name of the instrument.
    """

    def __init__(self, bench: SimulatedBench, *, host: str, ports: Mapping[str, int]) -> None:
        self.bench = bench
        self.addresses: dict[str, tuple[str, int]] = {}
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self._listeners: list[socket.socket] = []
        self._traffic = Traffic()
        if isinstance(bench.clock, VirtualClock):
            bench.clock.settle_with(self._traffic.settle)
        try:
            for name, instrument in bench.instruments.items():
                self._listen(name, instrument, host, ports.get(name, 0))
        except OSError:
            self.close()
            raise

    def _listen(self, name: str, instrument: Instrument, host: str, port: int) -> None:
        listener = socket.create_server((host, port), backlog=8)
        listener.settimeout(IDLE_S)
        self._listeners.append(listener)
        self._traffic.listen(listener)
        self.addresses[name] = listener.getsockname()[:2]
        self._start(f"serve {name}", self._accept, listener, instrument)

    def _start(self, name: str, work: Callable[..., None], *arguments: object) -> None:
        thread = threading.Thread(target=work, args=arguments, name=name, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self, listener: socket.socket, instrument: Instrument) -> None:
        while not self._stop.is_set():
            try:
                if not select.select([listener], [], [], IDLE_S)[0]:
                    continue
                connection = self._traffic.accept(listener)
            except (OSError, ValueError):
                return
            with instrument.lock:
                device = None if instrument.refuses else instrument.connect(stream=True)
            if device is None:
                self._traffic.leave(connection)
                connection.close()
                continue
            self._threads = [thread for thread in self._threads if thread.is_alive()]
            self._start(f"client of {instrument.name}", self._serve, connection, device)

    def _serve(self, connection: socket.socket, device: Device) -> None:
        clean = False
        with connection, contextlib.suppress(OSError):
            connection.settimeout(STUCK_S)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            clean = self._exchange(connection, device)
        self._traffic.leave(connection)
        device.close(clean=clean)

    def _exchange(self, connection: socket.socket, device: Device) -> bool:
        """Pass bytes both ways until the client leaves; False when it left an answer unread."""
        while not self._stop.is_set():
            while device.pending:
                connection.sendall(device.take(CHUNK))
            if device.lost:
                return False
            self._traffic.mark(connection, at_work=False)
            readable, _, _ = select.select([connection], [], [], self._patience(device))
            if readable:
                self._traffic.mark(connection, at_work=True)
                data = connection.recv(CHUNK)
                if not data:
                    return device.wake_at() is None
                device.receive(data)
        return True

    def _patience(self, device: Device) -> float:
        """Return how long to wait for the client before looking at the instrument again, in seconds."""
        wake = device.wake_at()
        if wake is None:
            return IDLE_S
        clock = self.bench.clock
        left = wake - clock.now()
        if isinstance(clock, VirtualClock) and math.isfinite(left):
            clock.advance_to(wake)
            return 0.0
        return min(max(left, 0.0), IDLE_S)

    def close(self) -> None:
        """Stop listening, end the connections and wait for the threads."""
        self._stop.set()
        if isinstance(self.bench.clock, VirtualClock):
            self.bench.clock.settle_with(None)
        for listener in self._listeners:
            listener.close()
        for thread in self._threads:
            if thread is not threading.current_thread():
                thread.join(timeout=2.0)

    def __enter__(self) -> Server:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
