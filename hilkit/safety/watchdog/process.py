"""The process of the watchdog: gets ready, waits for the end of the lease, and acts."""

from __future__ import annotations

import queue
import signal
import sys
import threading
import time
from contextlib import ExitStack, suppress
from typing import Any, BinaryIO

from hilkit.bench.lock import watch_lock
from hilkit.errors import HilkitError
from hilkit.safety.watchdog.protocol import BYE, FAILED, READY, Charge, lease_of, read_charge

__all__ = ["main"]

_DEAF_TO = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK", "SIGPIPE")
"""What a terminal, a scheduler or a shutdown sends to all at once: the run answers to it."""

_LAST_LOOK_S = 0.02
"""What has been sent already is read before a lease counts as expired: the watchdog may have been held up."""


def main() -> int:
    """Watch over the run at the other end of standard input; 0 after a goodbye, else what became of it."""
    for name in _DEAF_TO:
        if (number := getattr(signal, name, None)) is not None:
            signal.signal(number, signal.SIG_IGN)
    charge = read_charge(sys.stdin.buffer)
    if charge is None:
        return 0
    with ExitStack() as held:
        try:
            held.enter_context(watch_lock(charge.bench, run=charge.run, folder=charge.locks))
            manager = _prepared(charge)
        except (HilkitError, OSError) as error:
            _answer(FAILED + " ".join(str(getattr(error, "message", error)).split()).encode())
            return 3
        _answer(READY)
        reason = _reason_to_act(sys.stdin.buffer)
        if reason is None:
            return 0
        from hilkit.safety.watchdog.rescue import rescue

        return rescue(charge, manager, *reason)


def _prepared(charge: Charge) -> Any:
    """Load everything that will be needed: when it is, there may be no time, or no disk, to load it from."""
    import hilkit.safety.watchdog.rescue  # noqa: F401
    from hilkit.instruments.classes import find_class
    from hilkit.instruments.visa import visa_manager

    for spec in (*charge.bench.instruments.values(), charge.bench.radio_spec):
        find_class(spec.instrument_class)
    return visa_manager(charge.visa)


def _answer(line: bytes) -> None:
    with suppress(OSError):
        sys.stdout.buffer.write(line + b"\n")
        sys.stdout.buffer.flush()


def _reason_to_act(stream: BinaryIO) -> tuple[str, float] | None:
    """Wait; return why to act and how many seconds ago the run last gave a sign of life, or ``None``.

    A run that ends before its first lease has commanded nothing.
    """
    lines: queue.Queue[bytes] = queue.Queue()
    threading.Thread(target=_read, args=(stream, lines), daemon=True).start()
    heard_at = expires_at = None
    while True:
        try:
            line = lines.get(timeout=None if expires_at is None else _left(expires_at))
        except queue.Empty:
            assert heard_at is not None
            return "it has given no sign of life for longer than its lease", time.monotonic() - heard_at
        if line.strip() == BYE:
            return None
        if (lease_s := lease_of(line)) is not None:
            heard_at = time.monotonic()
            expires_at = heard_at + lease_s
        elif not line:
            return None if heard_at is None else ("it has ended without a goodbye", 0.0)


def _left(expires_at: float) -> float:
    return max(expires_at - time.monotonic(), _LAST_LOOK_S)


def _read(stream: BinaryIO, lines: queue.Queue[bytes]) -> None:
    with suppress(OSError, ValueError):
        while line := stream.readline():
            lines.put(line)
    lines.put(b"")
