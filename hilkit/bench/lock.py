"""One run at a time on a bench: a lock for each of its instruments, with a note of who holds it."""

from __future__ import annotations

import datetime as dt
import getpass
import hashlib
import json
import os
import platform
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import filelock

from hilkit.bench.spec import Bench
from hilkit.errors import BenchBusyError

__all__ = ["bench_lock", "lock_folder", "resource_lock"]


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
def bench_lock(bench: Bench, *, owner: str = "", folder: Path | None = None) -> Iterator[None]:
    """Hold every instrument of the bench, so that no other run on this machine uses one of them.

    Two bench files that share an analyser exclude each other too. A simulated bench lives inside its own
    process and needs no lock. The operating system frees the lock of a process that dies; the note beside it
    is then stale and is written over. ``owner`` defaults to the user's name.

    Raises ``BenchBusyError`` saying who holds it, since when, on which host and by which process.
    """
    addresses = () if bench.simulation else _addresses(bench)
    with _locked(addresses, bench.name, f"for the bench {bench.name!r}", owner=owner, folder=folder):
        yield


@contextmanager
def resource_lock(address: str, use: str, *, folder: Path | None = None) -> Iterator[None]:
    """Hold one address, in its canonical form, against every run and be refused as a run is.

    ``use`` is what the next one is told of the holder: ``by hilkit talk``.
    """
    with _locked((address,), "the instrument", use, folder=folder):
        yield


@contextmanager
def _locked(
    addresses: Iterable[str], subject: str, use: str, *, owner: str = "", folder: Path | None = None
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
            # A file name must not hold what a resource name holds, and two spellings are one after canonical
            # form.
            stem = where / hashlib.sha256(address.encode()).hexdigest()[:20]
            lock = filelock.FileLock(stem.with_suffix(".lock"), timeout=0)
            try:
                stack.enter_context(lock)
            except filelock.Timeout:
                raise _busy(subject, address, stem.with_suffix(".json")) from None
            stem.with_suffix(".json").write_text(note, encoding="utf-8")
            stack.callback(stem.with_suffix(".json").unlink, missing_ok=True)
        yield


def _addresses(bench: Bench) -> list[str]:
    # In one order for every bench, so that two runs starting together meet at the same lock.
    specs = (*bench.instruments.values(), bench.radio_spec)
    return sorted({spec.address for spec in specs})


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):  # a container may run under a number without a name
        return "unknown user"


def _busy(subject: str, address: str, sidecar: Path) -> BenchBusyError:
    try:
        note = json.loads(sidecar.read_text(encoding="utf-8"))
        holder = f"{note['owner']} on {note['host']} (process {note['pid']})"
        who = f"{holder} since {note['since']}, {note['use']}"
    except (OSError, ValueError, KeyError, TypeError):
        who = "another process that has left no note"
    return BenchBusyError(
        f"{subject} is in use: {address} is held by {who}",
        next_step="wait until that run has ended, or ask its owner; one that died frees the bench by itself",
    )
