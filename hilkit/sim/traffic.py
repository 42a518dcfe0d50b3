"""What is on its way between the clients and a served bench, so that virtual time cannot run past it.

A wait in virtual time costs nothing: a client could send a command and let ten simulated seconds pass before
the thread of the instrument has read a byte. So a wait first lets everything arrive that was sent before it.
"""

from __future__ import annotations

import contextlib
import select
import socket
import threading
import time
from collections.abc import Iterable

__all__ = ["Traffic"]

LOOK_S = 0.0002
"""Wall time in seconds between two looks: short against a round trip on this machine."""


class Traffic:
    """Every connection of a server, and whether its thread is at work on what it has read."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._listeners: list[socket.socket] = []
        self._at_work: dict[socket.socket, bool] = {}

    def listen(self, listener: socket.socket) -> None:
        """Watch ``listener`` for clients that are not yet accepted."""
        self._listeners.append(listener)

    def accept(self, listener: socket.socket) -> socket.socket:
        """Accept a client; nobody can look between its acceptance and its entry here."""
        with self._lock:
            connection, _ = listener.accept()
            self._at_work[connection] = True
            return connection

    def mark(self, connection: socket.socket, *, at_work: bool) -> None:
        """Note that the thread of a connection begins or has ended its work."""
        with self._lock:
            self._at_work[connection] = at_work

    def leave(self, connection: socket.socket) -> None:
        """Forget a connection, before it is closed."""
        with self._lock:
            self._at_work.pop(connection, None)

    def settle(self) -> None:
        """Return once everything that was sent has been read and answered."""
        while self._moving():
            time.sleep(LOOK_S)

    def _moving(self) -> bool:
        with self._lock:
            return any(self._at_work.values()) or _readable([*self._listeners, *self._at_work])


def _readable(sockets: Iterable[socket.socket]) -> bool:
    there = [each for each in sockets if each.fileno() >= 0]
    with contextlib.suppress(OSError, ValueError):  # closed between the look and the call
        return bool(there and select.select(there, [], [], 0)[0])
    return True
