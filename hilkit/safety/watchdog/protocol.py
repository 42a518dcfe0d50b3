"""What run and watchdog say to each other, over the pipes of the watchdog's standard input and output.

The run begins with its charge (length, line feed, pickle), and then sends short lines: ``lease SECONDS`` for
every sign of life, ``bye`` at the end. The watchdog answers once: ``ready``, or ``failed`` and why. Both are
this program, on this computer; nothing else ever writes to these pipes.
"""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    from hilkit.bench import Bench

__all__ = ["BYE", "FAILED", "READY", "Charge", "lease_line", "lease_of", "read_charge", "write_charge"]

BYE = b"bye"
READY = b"ready"
FAILED = b"failed "
_LEASE = b"lease "


@dataclass(frozen=True, kw_only=True)
class Charge:
    """What a watchdog is charged with.

    ``run`` is the process to end before anything else, ``folder`` where what was done is written down,
    ``visa`` the name of the VISA library, ``locks`` the folder of the lock files. What cannot be made safe
    within ``bound_s`` seconds is left to a person.
    """

    bench: Bench
    run: int
    folder: Path
    visa: str
    locks: Path
    bound_s: float = 60.0


def write_charge(stream: IO[bytes], charge: Charge) -> None:
    """Send a charge."""
    data = pickle.dumps(charge)
    stream.write(b"%d\n" % len(data) + data)
    stream.flush()


def read_charge(stream: IO[bytes]) -> Charge | None:
    """Receive a charge; ``None`` where the run ended before it had sent all of it."""
    size = stream.readline().strip()
    if not size.isdigit():
        return None
    data = stream.read(int(size))
    if len(data) != int(size):
        return None
    charge = pickle.loads(data)
    assert isinstance(charge, Charge)
    return charge


def lease_line(seconds: float) -> bytes:
    """Return the line that says that the run is good for ``seconds`` more."""
    return _LEASE + b"%.3f\n" % seconds


def lease_of(line: bytes) -> float | None:
    """Return the seconds of a lease line, ``None`` for any other line."""
    return float(line[len(_LEASE) :]) if line.startswith(_LEASE) else None
