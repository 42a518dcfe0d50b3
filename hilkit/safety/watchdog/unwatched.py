"""What a bench lacks to be watched, told before anything is opened."""

from __future__ import annotations

from hilkit.bench import Bench
from hilkit.errors import Problem
from hilkit.files import loads

__all__ = ["unwatched"]


def unwatched(bench: Bench) -> list[Problem]:
    """Return what keeps a watchdog from switching RF off on this bench; nothing for a simulated one.

    A radio behind a program cannot be reached over a fresh link once that program has gone with the run, so
    its driver has to name a command that does it.
    """
    radio = bench.radio_spec
    if bench.simulation is not None or bench.watch.off or not radio.command or radio.dialect.safe_command:
        return []
    problem = loads(bench.text, str(bench.file)).problem(
        ("radio", "command"),
        "RF cannot be switched off if a run with this radio dies: its driver has no safe_command",
        seen=f"driver {radio.driver}",
        allowed="a driver with safe_command: [program, argument], or a radio with `resource`",
        next_step="add to the driver the program that switches RF of all channels off in one go; or, where "
        "hardware does it, watchdog: {off: the reason} to the bench file",
        at_key=True,
    )
    return [problem]
