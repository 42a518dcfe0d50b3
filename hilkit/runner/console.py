"""A closed console window on Windows, which comes as no signal that leaves time for anything."""

from __future__ import annotations

import ctypes
import sys
import time
from collections.abc import Callable
from typing import Any

__all__ = ["watch_console"]

# Windows console API, SetConsoleCtrlHandler: CTRL_CLOSE_EVENT, CTRL_LOGOFF_EVENT, CTRL_SHUTDOWN_EVENT.
_EVENTS = {2: "a closed window", 5: "the end of the session", 6: "the computer going down"}

_HOLD_S = 30.0
"""How long the handler keeps its thread: Windows ends the process when it returns, or after some 5 s."""


def watch_console(request: Callable[[str], None]) -> Callable[[], None]:
    """Call ``request`` with what happened when the console goes away; return what ends the watch.

    Windows calls a handler in a thread of its own, and ends the process as soon as it returns. So it waits
    there, while the main thread brings the bench to its safe state and leaves by itself. Does nothing on
    another system.
    """
    kernel = _kernel()
    if kernel is None:
        return lambda: None

    def handle(event: int) -> int:
        if event not in _EVENTS:
            return 0  # Ctrl-C and Ctrl-Break come as signals
        request(_EVENTS[event])
        time.sleep(_HOLD_S)
        return 1

    handler = getattr(ctypes, "WINFUNCTYPE", ctypes.CFUNCTYPE)(ctypes.c_int, ctypes.c_ulong)(handle)
    kernel.SetConsoleCtrlHandler(handler, 1)

    def unwatch() -> None:
        kernel.SetConsoleCtrlHandler(handler, 0)

    return unwatch


def _kernel() -> Any:
    """Return the library of the console calls, ``None`` on a system that has none."""
    if sys.platform != "win32":
        return None
    return ctypes.WinDLL("kernel32")
