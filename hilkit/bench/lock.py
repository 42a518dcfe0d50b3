"""One run at a time on a bench: a lock for each of its instruments, with a note of who holds it.

Beside the lock of the run stands one of its watchdog, which outlives a run that died until the bench is safe.
"""

from __future__ import annotations

import datetime as dt
import getpass
import hashlib
import json
import os
import platform
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import filelock

from hilkit.bench.spec import Bench
from hilkit.errors import BenchBusyError

__all__ = ["bench_lock", "lock_folder", "resource_lock", "watch_lock"]

RUN, WATCHDOG = ".lock", ".watch.lock"
"""Endings of the two lock files of an instrument; the note beside one ends in .json instead of .lock."""


def lock_folder() -> Path:
    """Return the folder of the lock files: in the user's state folder, else in the temporary one."""
    local = os.environ.get("LOCALAPPDATA") or os.environ.get("XDG_STATE_HOME")
    wanted = [Path(local)] if local else []
    with suppress(RuntimeError):  # a service account may have no home folder
        wanted.append(Path.home() / ".local" / "state")
    for base in wanted:
        folder = base / "hilkit" / "locks"
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(folder, os.W_OK):
            return folder
    folder = Path(tempfile.gettempdir()) / "hilkit-locks"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@contextmanager
def bench_lock(
    bench: Bench, *, owner: str = "", folder: Path | None = None, wait: Callable[[str], bool] | None = None
) -> Iterator[None]:
    """Hold every instrument of the bench, so that no other run on this machine uses one of them.

    Two bench files that share an analyser exclude each other too. A simulated bench lives inside its own
    process and needs no lock. The operating system frees the lock of a process that dies; the note beside it
    is then stale and is written over. ``owner`` defaults to the user's name.

    The watchdog of a run that died may still be at work. While it is, ``wait`` is called with who that is; it
    lets some time pass and returns whether to go on waiting. Nobody waits without it.

    Raises ``BenchBusyError`` saying who holds it, since when, on which host and by which process.
    """
    addresses = () if bench.simulation else _addresses(bench)
    subject, use = f"the bench {bench.name!r}", f"for the bench {bench.name!r}"
    with _locked(addresses, bench.name, use, owner=owner, folder=folder):
        while (busy := _watched(addresses, subject, folder)) is not None:
            if wait is None or not wait(busy.message):
                raise busy
        yield


@contextmanager
def watch_lock(bench: Bench, *, run: int, folder: Path | None = None) -> Iterator[None]:
    """Hold the lock of the watchdog of a run, whose process is ``run``, on every instrument of the bench.

    Raises ``BenchBusyError`` where another watchdog holds it.
    """
    use = f"watchdog of process {run} on the bench {bench.name!r}"
    with _locked(_addresses(bench), bench.name, use, folder=folder, kind=WATCHDOG):
        yield


@contextmanager
def resource_lock(address: str, use: str, *, folder: Path | None = None) -> Iterator[None]:
    """Hold one address, in its canonical form, against every run and be refused as a run is.

    ``use`` is what the next one is told of the holder: ``by hilkit talk``.
    """
    with _locked((address,), "the instrument", use, folder=folder):
        if (busy := _watched((address,), "the instrument", folder)) is not None:
            raise busy
        yield


@contextmanager
def _locked(
    addresses: Iterable[str],
    subject: str,
    use: str,
    *,
    owner: str = "",
    folder: Path | None = None,
    kind: str = RUN,
) -> Iterator[None]:
    where = folder or lock_folder()
    note = json.dumps(
        {
            "use": use,
            "owner": owner or _user(),
            "host": platform.node(),
            "pid": os.getpid(),
            "since": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        }
    )
    with ExitStack() as stack:
        for address in addresses:
            file = _file(where, address, kind)
            try:
                stack.enter_context(filelock.FileLock(file, timeout=0))
            except filelock.Timeout:
                raise _busy(subject, address, _note_of(file)) from None
            _note_of(file).write_text(note, encoding="utf-8")
            stack.callback(_note_of(file).unlink, missing_ok=True)
        yield


def _watched(addresses: Iterable[str], subject: str, folder: Path | None) -> BenchBusyError | None:
    """Return what to say where the watchdog of an earlier run holds one of the addresses."""
    where = folder or lock_folder()
    for address in addresses:
        file = _file(where, address, WATCHDOG)
        if not file.exists():
            continue
        try:
            with filelock.FileLock(file, timeout=0):
                pass
        except filelock.Timeout:
            return BenchBusyError(
                f"{subject} is being made safe by the watchdog of a run that ended without a goodbye: "
                f"{address} is held by {_holder(_note_of(file))}",
                next_step="wait until it is done; watchdog.txt in the folder of that run says what it does",
            )
    return None


def _file(where: Path, address: str, kind: str) -> Path:
    # A file name must not hold what a resource name holds, and two spellings are one after canonical form.
    return where / f"{hashlib.sha256(address.encode()).hexdigest()[:20]}{kind}"


def _note_of(file: Path) -> Path:
    return file.with_suffix(".json")


def _addresses(bench: Bench) -> list[str]:
    # In one order for every bench, so that two runs starting together meet at the same lock.
    specs = (*bench.instruments.values(), bench.radio_spec)
    return sorted({spec.address for spec in specs})


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):  # a container may run under a number without a name
        return "unknown user"


def _holder(sidecar: Path) -> str:
    try:
        note = json.loads(sidecar.read_text(encoding="utf-8"))
        holder = f"{note['owner']} on {note['host']} (process {note['pid']})"
        return f"{holder} since {note['since']}, {note['use']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "another process that has left no note"


def _busy(subject: str, address: str, sidecar: Path) -> BenchBusyError:
    return BenchBusyError(
        f"{subject} is in use: {address} is held by {_holder(sidecar)}",
        next_step="wait until that run has ended, or ask its owner; one that died frees the bench by itself",
    )
