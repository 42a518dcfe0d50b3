"""``hilkit report``."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from hilkit.cli.common import run_of
from hilkit.cli.texts import exit_codes

__all__ = ["command"]


@click.command("report", epilog=exit_codes())
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option("--plain", is_flag=True, help="Plain lines, also on a terminal.")
def command(run_folder: Path, plain: bool) -> int:
    """Show the readings and verdicts of RUN from its record and write its junit.xml again.

    RUN is the folder of a run, or its name under runs. A run that was killed is reported as far as it came:
    it ended without a goodbye, which counts as a bench error. The exit code is that of the run.
    """
    from hilkit.record import Record
    from hilkit.reports import screen_for, show_run, write_junit

    stored = Record.open(run_of(run_folder))
    show_run(stored, screen_for(sys.stdout, plain=plain))  # first: a full disk takes no file
    write_junit(stored)
    return int(stored.exit_code)
