"""What the watchdog does once the run is dead or frozen: end it, open fresh links, make the bench safe."""

from __future__ import annotations

import datetime as dt
import os
import signal
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from hilkit.clock import WallClock
from hilkit.errors import ExitCode
from hilkit.safety.safe import SafeState, reach_safe
from hilkit.safety.watchdog.links import Links
from hilkit.safety.watchdog.protocol import Charge

__all__ = ["FILE", "rescue"]

FILE = "watchdog.txt"
"""What was done is written here, in the folder of the run."""

MEANS_S = 0.9
"""Time in seconds before RF has to be off at which the second means come, if the first have not done it."""

_GONE_S = 1.0
_PASS_PAUSE_S = 0.5


def rescue(charge: Charge, manager: Any, reason: str, silent_s: float) -> int:
    """Carry the safe state out in place of a run and return the exit code: 0 once the bench is safe, else 7.

    ``silent_s`` is how long ago the run gave its last sign of life, in seconds: RF has to be off when the
    time of the bench file has passed since then.
    """
    start = time.monotonic()
    diary = Diary(charge.folder / FILE, start - silent_s)
    diary.say(f"the run (process {charge.run}) is taken for dead: {reason}")
    diary.say(_end(charge.run))
    links = Links(charge.bench, manager)
    links.wait(max(charge.bench.watch.rf_off_s - silent_s - MEANS_S - (time.monotonic() - start), 0.1))
    state = _made_safe(links, diary)
    while state.not_safe and time.monotonic() - start < charge.bound_s:
        if links.missing:
            diary.say(
                "not reached yet: " + "; ".join(f"{name} ({why})" for name, why in links.missing.items())
            )
        links.wait(_PASS_PAUSE_S)
        time.sleep(_PASS_PAUSE_S if not links.missing else 0.0)
        state = _made_safe(links, diary)
    for name, at in sorted(links.muted.items()):
        diary.say(f"RF of {name} was switched off {at - start + silent_s:.2f} s after its last sign of life")
    links.close()
    if state.not_safe:
        diary.say("\n".join(["THE BENCH IS NOT SAFE: SWITCH OFF BY HAND", *state.not_safe]))
        return int(ExitCode.NOT_SAFE)
    known = "; ".join(state.told)
    diary.say(f"the bench {charge.bench.name!r} is in its safe state" + (f": {known}" if known else ""))
    return int(ExitCode.PASSED)


def _made_safe(links: Links, diary: Diary) -> SafeState:
    try:
        state = reach_safe(links.connected(), WallClock())
    except Exception as error:  # a defect must not end what is the last to switch RF off
        return SafeState(not_safe=[f"the safe state broke off: {type(error).__name__}: {error}"])
    for text in state.cut:
        diary.say(text)
    return state


def _end(run: int) -> str:
    """End the process of the run, and say so: a stopped one may hold the only connection of an instrument."""
    if os.getppid() != run:
        return "it has ended by itself"
    with suppress(OSError):
        os.kill(run, getattr(signal, "SIGKILL", signal.SIGTERM))  # Windows ends it whatever the signal
    until = time.monotonic() + _GONE_S
    while os.name == "posix" and os.getppid() == run and time.monotonic() < until:
        time.sleep(0.002)
    return "it was ended, to free the connections that it held"


class Diary:
    """What the watchdog did, for the file in the folder of the run and for whoever still sees the console."""

    def __init__(self, file: Path, since: float) -> None:
        self._file, self._since = file, since
        self._last = ""

    def say(self, text: str) -> None:
        """Take down one sentence with its time; a full disk or a lost terminal changes nothing."""
        if text == self._last:
            return
        self._last = text
        now = dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        with suppress(OSError), self._file.open("a", encoding="utf-8") as file:
            file.write(f"{now} {text}\n")
        with suppress(OSError, ValueError):
            sys.stderr.write(f"watchdog: {text}\n")
            sys.stderr.flush()
