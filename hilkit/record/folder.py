"""The folder of a run: one a run, named by time and plan, never used twice."""

from __future__ import annotations

import datetime as dt
import itertools
import os
import re
from contextlib import suppress
from pathlib import Path

from hilkit.errors import RecordError

__all__ = ["DATABASE", "JUNIT", "TRACEBACK", "TRANSCRIPT", "new_run_folder", "slug", "sync_folder"]

DATABASE = "run.sqlite"
JUNIT = "junit.xml"
TRANSCRIPT = "transcript.txt"
TRACEBACK = "traceback.txt"

_LONGEST_SLUG = 60


def slug(name: str) -> str:
    """Return ``name`` as it can stand in file and test names everywhere: ``a-z``, ``0-9`` and ``_``.

    >>> slug("Night check, two-channel radio head")
    'night_check_two_channel_radio_head'
    """
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")[:_LONGEST_SLUG].rstrip("_") or "plan"


def new_run_folder(out: Path, plan_slug: str, utc: dt.datetime) -> Path:
    """Make and return ``out/<UTC time>-<plan>``; a number follows if two runs begin in the same second."""
    stem = f"{utc:%Y%m%dT%H%M%SZ}-{plan_slug}"
    try:
        out.mkdir(parents=True, exist_ok=True)
        for number in itertools.count(1):
            folder = out / (stem if number == 1 else f"{stem}-{number}")
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            return folder
    except OSError as error:
        raise RecordError(
            f"no run folder can be made in {out}: {error.strerror or error}",
            next_step="name a place that can be written with --out",
        ) from error
    raise AssertionError("unreachable: the count has no end")


def sync_folder(folder: Path) -> None:
    """Bring the entries of ``folder``, and its own in the folder above, down to the disk.

    A file whose bytes are on the disk is lost all the same in a power failure if its name is not. Windows has
    no call for it and writes names through by itself; a file system that refuses is left alone.
    """
    if not hasattr(os, "O_DIRECTORY"):
        return
    for each in (folder, folder.resolve().parent):
        with suppress(OSError):
            handle = os.open(each, os.O_RDONLY | os.O_DIRECTORY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
