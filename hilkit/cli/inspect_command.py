"""``hilkit inspect``."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from hilkit.cli.common import lab_for, lab_of, lab_option, locate, open_door, say_shadowed, visa_option
from hilkit.errors import ExitCode

__all__ = ["command"]


@click.command("inspect")
@click.argument("bench_name", metavar="BENCH")
@click.option("--self-test", is_flag=True, help="Also run *TST? where the driver calls it harmless.")
@click.option("--plain", is_flag=True, help="Plain lines, also on a terminal.")
@visa_option
@lab_option
def command(bench_name: str, self_test: bool, plain: bool, visa: str, lab_folder: Path | None) -> int:
    """Connect to everything on BENCH and show who answers, what is wrong, and what to do.

    Takes the bench lock and changes no setting: no reset, no clear. The error queues are read, which empties
    them. Exit code 3 if anything is wrong.
    """
    from hilkit.bench import inspect, load_bench
    from hilkit.instruments import NullTranscript
    from hilkit.reports import inspection_block, screen_for

    lab = lab_of(lab_folder)
    path = locate("bench", bench_name, lab)
    lab = lab_for(path, lab, lab_folder)
    bench = load_bench(path, lab)
    say_shadowed(lab)
    with open_door(bench, lab, visa=visa) as door:
        report = inspect(bench, door.resource_manager, door.clock, NullTranscript(), lab, self_test=self_test)
    screen = screen_for(sys.stdout, plain=plain)
    screen.show(inspection_block(report, width=screen.width))
    return int(ExitCode.PASSED if report.ok else ExitCode.BENCH)
