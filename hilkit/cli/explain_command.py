"""``hilkit explain``."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from hilkit.cli.common import run_of
from hilkit.errors import ExitCode, UsageError

__all__ = ["command", "places"]


@click.command("explain")
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@click.argument("reading", metavar="READING")
@click.option(
    "--at",
    "at",
    multiple=True,
    metavar="NAME=VALUE",
    help="The combination, such as channel=1; index=3 for a member of a series. Repeat, or join by commas.",
)
@click.option("--all", "every", is_flag=True, help="Every line of the budget, also the smallest.")
@click.option("--plain", is_flag=True, help="Plain lines, also on a terminal.")
def command(run_folder: Path, reading: str, at: tuple[str, ...], every: bool, plain: bool) -> int:
    """Show how sure a READING of RUN is: its uncertainty budget, and what would halve it.

    RUN is the folder of a run, or its name under runs. READING is step.reading.phase, such as
    tone_placement.image.corrected; step and phase may be left out where nothing else has that name, and
    [index] behind it names a member of a series. Its number in the record works too. Everything comes from
    the record: neither plan nor bench is read. Exit code 2 where the name fits nothing or several readings.
    """
    from hilkit.record import Record, find_readings
    from hilkit.reports import choices_block, explanation_block, screen_for

    run = Record.open(run_of(run_folder))
    found = find_readings(run, reading, places(at))
    screen = screen_for(sys.stdout, plain=plain)
    if len(found) > 1:
        screen.show(choices_block(reading, found, width=screen.width))
        return int(ExitCode.USAGE)
    screen.show(explanation_block(found[0], width=screen.width, every=every))
    return int(ExitCode.PASSED)


def places(texts: tuple[str, ...]) -> dict[str, str]:
    """Return the values of ``--at``; ``UsageError`` for one that is not NAME=VALUE."""
    result: dict[str, str] = {}
    for text in (part for each in texts for part in each.split(",")):
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise UsageError(f"--at {text}: a name and a value are needed", next_step="write --at channel=1")
        result[name.strip()] = value.strip()
    return result
