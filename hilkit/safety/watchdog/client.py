"""The watchdog as the run knows it: started, armed before the first RF, taken leave of at the end."""

from __future__ import annotations

import contextlib
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any

import hilkit
from hilkit.bench import Bench
from hilkit.bench.lock import lock_folder
from hilkit.clock import Clock
from hilkit.errors import BenchError, SafetyStop
from hilkit.safety.watchdog.lease import Lease
from hilkit.safety.watchdog.protocol import BYE, FAILED, READY, Charge, write_charge

__all__ = ["Watchdog"]

READY_S = 20.0
"""Longest wait in seconds until the watchdog is ready; on an idle computer it takes less than one."""

LEAVE_S = 5.0
_POLL_S = 0.01


class Watchdog:
    """Starts the process at once, so that it loads its libraries while the run opens its instruments.

    ``arm`` waits until it is ready and begins the lease: nothing may be commanded before. ``dismiss`` says
    that the bench is safe; the end of the ``with`` block takes leave then. A run that ends without has died,
    as far as the watchdog is concerned.
    """

    def __init__(self, bench: Bench, *, clock: Clock, folder: Path, visa: str) -> None:
        self._clock = clock
        self._armed = False
        self._dismissed = True
        self._process = _start()
        self._lease = Lease(bench.watch, self._send)
        self._said: queue.Queue[bytes] = queue.Queue()
        charge = Charge(bench=bench, run=os.getpid(), folder=folder.resolve(), visa=visa, locks=lock_folder())
        self._talk = threading.Thread(target=self._charge, args=(charge,), daemon=True)
        self._talk.start()

    @property
    def pid(self) -> int:
        """The number of its process."""
        return self._process.pid

    def _charge(self, charge: Charge) -> None:
        """Tell it what to do and take its answer; one that has ended already answers nothing."""
        said = b""
        try:
            assert self._process.stdin is not None and self._process.stdout is not None
            write_charge(self._process.stdin, charge)
            said = self._process.stdout.readline().strip()
        except OSError:
            said = b""  # it has ended already
        except Exception as error:  # whatever it is, nobody is to wait for an answer that does not come
            said = FAILED + f"{type(error).__name__}: {error}".encode()
        self._said.put(said)

    def arm(self) -> None:
        """Wait until it is ready and begin the lease; ``BenchError`` where it does not get there."""
        deadline = self._clock.deadline(READY_S)
        said: bytes | None = None
        while said is None and not deadline.passed:
            with contextlib.suppress(queue.Empty):
                said = self._said.get_nowait()
                break
            self._clock.sleep(_POLL_S)
        if said != READY:
            raise _not_ready(said)
        assert self._process.stdin is not None
        if sys.platform != "win32":
            # One that no longer reads must not stop the run with RF on when the pipe is full.
            os.set_blocking(self._process.stdin.fileno(), False)
        self._armed, self._dismissed = True, False
        self._lease.renew()
        self._clock.watch(self._look)
        self._clock.mind(self._lease.grant)

    def _look(self) -> None:
        self._lease.renew()
        if self._lease.lost:
            self._disarm()
            raise SafetyStop(
                "the watchdog of this run has ended, and without it nobody switches RF off if the run dies",
                next_step="find out who ended it (a shortage of memory, a person), then run again",
            )

    @contextlib.contextmanager
    def patient(self, seconds: float) -> Iterator[None]:
        """Be good for ``seconds`` inside: bringing the bench into its safe state ends by itself."""
        if self._armed:
            self._lease.extend(seconds)
        yield
        if self._armed:
            self._lease.renew()

    def dismiss(self) -> None:
        """Say that the bench was left safe, or a person was told that it is not."""
        self._dismissed = True

    def _send(self, line: bytes) -> None:
        assert self._process.stdin is not None
        os.write(self._process.stdin.fileno(), line)

    def _disarm(self) -> None:
        if self._armed:
            self._armed = False
            self._clock.unwatch(self._look)
            self._clock.unmind(self._lease.grant)

    def __enter__(self) -> Watchdog:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._disarm()
        process = self._process
        assert process.stdin is not None
        if self._dismissed:
            with contextlib.suppress(OSError):
                self._send(BYE + b"\n")
        with contextlib.suppress(OSError):
            process.stdin.close()
        try:
            process.wait(LEAVE_S)
        except subprocess.TimeoutExpired:
            # It has nothing left to do, and would keep the bench from the next run.
            process.kill()
            process.wait()
        self._talk.join(LEAVE_S)
        if process.stdout is not None:
            process.stdout.close()


def _not_ready(said: bytes | None) -> BenchError:
    if said is not None and said.startswith(FAILED):
        reason = said.removeprefix(FAILED).decode("utf-8", "replace")
    elif said is not None:
        reason = "it ended while it started"
    else:
        reason = f"it was not ready after {READY_S:g} s"
    return BenchError(
        f"the watchdog cannot watch this run: {reason}",
        next_step="nothing was commanded; `hilkit manual safety` says what a watchdog needs, and how a bench "
        "does without",
    )


def _start() -> subprocess.Popen[bytes]:
    own_group: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        own_group = {
            "creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.DETACHED_PROCESS,
        }
    try:
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "hilkit.safety.watchdog"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=_environment(os.environ),
            **own_group,
        )
    except OSError as error:
        raise BenchError(
            f"the watchdog cannot be started: {error.strerror or error}",
            next_step="nothing was commanded; check the Python that runs hilkit",
        ) from error


def _environment(given: Mapping[str, str]) -> dict[str, str]:
    """Return the environment in which the same hilkit is found, and nothing of the current folder."""
    home = str(Path(hilkit.__file__).resolve().parent.parent)
    paths = [home, *filter(None, [given.get("PYTHONPATH", "")])]
    return {**given, "PYTHONPATH": os.pathsep.join(paths)}
