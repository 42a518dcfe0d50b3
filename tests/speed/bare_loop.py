"""A script without hilkit: PyVISA-py sessions and the lines of a power sweep, nothing else."""

from __future__ import annotations

import contextlib
import socket
import time
from collections.abc import Mapping, Sequence
from typing import Any

import pyvisa

__all__ = ["SWEEP_S", "BareLoop"]

SWEEP_S = 0.02
"""Real sweep time of one point."""

RADIO = "radio"


class BareLoop:
    """The bare loop: PyVISA-py sessions and the lines, nothing else.

    ``nodelay`` turns the gathering of small packets off, as hilkit does; PyVISA-py leaves it on, and then the
    second of two short writes waits for the other side's acknowledgement, up to 40 ms.
    """

    def __init__(self, manager: Any, resources: Mapping[str, str], *, nodelay: bool) -> None:
        self._links = {name: self._open(manager, resource) for name, resource in resources.items()}
        for link in self._links.values() if nodelay else ():
            wire = link.visalib.sessions[link.session].interface
            wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _open(self, manager: Any, resource: str) -> Any:
        return manager.open_resource(resource, read_termination="\n", write_termination="\n", timeout=3000)

    def run(self, lines: Sequence[tuple[str, str]]) -> float:
        """Send ``lines`` and read what they are answered with; return the time in s."""
        start = time.perf_counter()
        for instrument, text in lines:
            self._send(instrument, text)
        return time.perf_counter() - start

    def _send(self, instrument: str, text: str) -> None:
        link = self._links[instrument]
        if instrument == RADIO:
            link.write(text)
            # The prompt stands ahead of the echo, and console lines may come in between.
            while not link.read().endswith(text):
                pass
            link.read()
        elif text == "*ESR?":
            while not int(link.query(text)) & 1:
                time.sleep(0.001)
        elif text.startswith(":TRAC"):
            link.query_binary_values(text, datatype="f", is_big_endian=True)
        elif "?" in text:
            link.query(text)
        else:
            link.write(text)
            if text.endswith("*OPC"):
                time.sleep(SWEEP_S)

    def close(self) -> None:
        # A socket that is closed with something unread resets the connection, and the radio then holds its
        # line.
        radio = self._links[RADIO]
        radio.timeout = 50
        with contextlib.suppress(pyvisa.errors.VisaIOError):
            while radio.read_bytes(1):
                pass
        for link in self._links.values():
            link.close()
        time.sleep(0.2)  # one client at a time: the radio needs a moment to see this one go
