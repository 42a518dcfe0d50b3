"""Starts runs quickly: ``python -m tests.faults.forked`` has everything loaded and forks itself.

Each line of its input is JSON: ``args`` of the program, ``out`` for its output, ``told`` for what its
listeners were told. It answers with the number of the process. A run writes down each reading after the
record took it and before it does anything else: what stands there may not be lost.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from typing import Any


def warm() -> None:
    import scipy.special  # noqa: F401

    import hilkit.cli.run_command
    import hilkit.plans
    import hilkit.procedures
    import hilkit.reports
    import hilkit.runner  # noqa: F401
    from hilkit.cli.common import visa_manager

    visa_manager("@py").close()


def tell_readings(path: str) -> None:
    """Have every reading written down by the first who learns of it after the record."""
    from hilkit.record import ReadingTaken
    from hilkit.runner.bus import Bus

    file = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    tell = Bus._tell

    def told(self: Bus, event: Any) -> None:
        if isinstance(event, ReadingTaken):
            key = event.reading.key
            os.write(file, (json.dumps([str(key), event.reading.value]) + "\n").encode())
        tell(self, event)

    Bus._tell = told  # type: ignore[method-assign]


def run(order: dict[str, Any]) -> None:
    from hilkit.cli import main

    os.setsid()
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    out = os.open(order["out"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(out, 1)
    os.dup2(out, 2)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    tell_readings(order["told"])
    main(order["args"])


def serve_orders() -> None:
    warm()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for the runs: they vanish when they end
    print("ready", flush=True)
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            try:
                run(json.loads(line))
            finally:
                os._exit(0)
        print(pid, flush=True)


if __name__ == "__main__":
    serve_orders()
