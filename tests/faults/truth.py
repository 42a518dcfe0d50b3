"""A served bench that writes down when RF was on at its ports: ``python -m tests.faults.truth PROFILE LOG``.

Says where its instruments are in one line of JSON, and ends when its input ends. Each line of the log is a
time of ``time.monotonic``, which all processes of a computer share on POSIX, and ``on`` or ``off``: whether
any port gave RF from then on.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from pathlib import Path

LOOK_S = 0.002


def watch_ports(world: object, log: Path) -> None:
    """Write down each change, in one write, so that a reader never sees half a line."""
    radio = world.radio  # type: ignore[attr-defined]
    file = os.open(log, os.O_WRONLY | os.O_APPEND)
    was = False
    while True:
        on = any(channel.rf_on and channel.powered for channel in radio.channels.values())
        if on != was:
            os.write(file, f"{time.monotonic():.4f} {'on' if on else 'off'}\n".encode())
            was = on
        time.sleep(LOOK_S)


def main(profile: str, log: str) -> None:
    from hilkit.clock import WallClock
    from hilkit.files import Lab
    from hilkit.sim import serve
    from hilkit.sim.profile import load_profile
    from hilkit.sim.world import World

    path = Path(profile)
    world = World(load_profile(path, Lab(path.parent)), WallClock())
    Path(log).touch()
    threading.Thread(target=watch_ports, args=(world, Path(log)), daemon=True).start()
    with serve(world) as server:
        print(json.dumps(server.addresses), flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    main(*sys.argv[1:])
