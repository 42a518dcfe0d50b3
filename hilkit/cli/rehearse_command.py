"""``hilkit rehearse``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hilkit.cli.common import lab_for, lab_of, lab_option, locate, pairs, say, say_shadowed
from hilkit.cli.texts import exit_codes
from hilkit.errors import ExitCode, FileProblems, worst_exit

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.files import Lab
    from hilkit.plans import Plan

__all__ = ["command"]


@click.command("rehearse", epilog=exit_codes())
@click.argument("plan_name", metavar="PLAN")
@click.option("--bench", "bench_name", metavar="BENCH", help="Rehearse on this bench instead of the plan's.")
@click.option(
    "--set", "sets", multiple=True, metavar="NAME=VALUE", help="One value for a name of the plan; repeat."
)
@click.option("--only", multiple=True, metavar="STEP", help="Rehearse this step only; repeat for several.")
@click.option("--from", "from_step", metavar="STEP", help="Rehearse from this step on.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("runs"),
    show_default=True,
    metavar="DIR",
    help="Where the folder of this rehearsal is made.",
)
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Seed of the simulated noise.")
@click.option("--plain", is_flag=True, help="Plain lines, also on a terminal.")
@lab_option
def command(
    plan_name: str,
    bench_name: str | None,
    sets: tuple[str, ...],
    only: tuple[str, ...],
    from_step: str | None,
    out: Path,
    seed: int | None,
    plain: bool,
    lab_folder: Path | None,
) -> int:
    """Rehearse PLAN on BENCH without opening anything of it.

    A simulated counterpart stands in for every instrument and for the radio, made from the bench file and its
    driver files: same paths, ratings, commands and reply patterns. It runs in virtual time and shows
    verdicts, the bench time that each step will take, the highest level at every node beside its rating, and
    what a run on the real bench would refuse.

    The exit code is that of a run that went the same way; 3 where the real bench would refuse the run, 2
    where the plan does not fit on it.
    """
    from hilkit.bench import load_bench
    from hilkit.plans import bench_file, check_fit, load_plan
    from hilkit.runner import choose
    from hilkit.testing.rehearsal import would_be_told

    lab = lab_of(lab_folder)
    path = locate("plan", plan_name, lab)
    lab = lab_for(path, lab, lab_folder)
    plan = load_plan(path, lab, sets=pairs(sets), bench_override=bench_name)
    plan.bench_name()
    bench = load_bench(locate("bench", bench_name, lab) if bench_name else bench_file(plan, lab), lab)
    steps = choose(plan, only=only, from_step=from_step)
    say_shadowed(lab)
    if problems := check_fit(plan, bench):
        refused, _ = would_be_told(plan, bench, steps)
        for sentence in refused:
            say(f"a run on the real bench would also be refused: {sentence}")
        say(f"REHEARSAL of {bench.name}: nothing was rehearsed, the plan does not fit on this bench")
        raise FileProblems(problems)
    return _rehearse(plan, bench, lab, out=out, plain=plain, only=only, from_step=from_step, seed=seed)


def _rehearse(
    plan: Plan,
    bench: Bench,
    lab: Lab,
    *,
    out: Path,
    plain: bool,
    only: Sequence[str],
    from_step: str | None,
    seed: int | None,
) -> int:
    from hilkit.cli.run_command import report
    from hilkit.clock import WallClock
    from hilkit.record import new_run_folder, slug
    from hilkit.reports import Console, rehearsal_block, rehearsal_line, screen_for
    from hilkit.testing.rehearsal import rehearse

    folder = new_run_folder(out, f"{slug(plan.name)}-rehearsal", WallClock().utc())
    screen = screen_for(sys.stdout, plain=plain)
    screen.show(rehearsal_line(bench.name, width=screen.width))
    console = Console(screen, caution="", folder=str(folder))
    try:
        played = rehearse(
            plan,
            bench,
            folder=folder,
            lab=lab,
            listeners=[console.listener],
            only=only,
            from_step=from_step,
            seed=seed,
        )
    finally:
        screen.close()
    told = report(folder, screen, console)
    screen.show(rehearsal_block(played.findings, width=screen.width))
    return int(worst_exit([ExitCode(played.code), told]))
