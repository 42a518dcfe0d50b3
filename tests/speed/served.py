"""A simulated bench served in a process of its own, in real time: ``python -m tests.speed.served``.

Says where its instruments are in one line of JSON, and ends when its input ends.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from collections.abc import Iterator

PROFILE = "simulated_pier"


def serve_until_input_ends() -> None:
    from hilkit.clock import WallClock
    from hilkit.sim import serve
    from hilkit.sim.profile import load_profile
    from hilkit.sim.world import World

    with serve(World(load_profile(PROFILE), WallClock())) as server:
        print(json.dumps(server.addresses), flush=True)
        sys.stdin.read()


@contextlib.contextmanager
def served_bench() -> Iterator[dict[str, str]]:
    """Serve the bench in another process; yield the VISA resource of each instrument by name."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.speed.served"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
    ) as process:
        assert process.stdin is not None and process.stdout is not None
        try:
            addresses = json.loads(process.stdout.readline())
            yield {name: f"TCPIP0::{host}::{port}::SOCKET" for name, (host, port) in addresses.items()}
        finally:
            process.stdin.close()


if __name__ == "__main__":
    serve_until_input_ends()
