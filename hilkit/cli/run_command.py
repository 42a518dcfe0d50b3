"""``hilkit run``."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hilkit.cli.common import (
    Door,
    lab_for,
    lab_of,
    lab_option,
    locate,
    open_door,
    pairs,
    run_of,
    say,
    say_shadowed,
    visa_option,
)
from hilkit.cli.person import refuse_unattended
from hilkit.cli.texts import RF_CAUTION, exit_codes
from hilkit.errors import ExitCode, FileProblems, HilkitError, RecordError, UsageError, worst_exit

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.files import Lab
    from hilkit.plans import Plan
    from hilkit.record import StoredRun
    from hilkit.reports import Console, Screen
    from hilkit.runner import Choice, Resumption

__all__ = ["command", "report"]


@click.command("run", epilog=f"{RF_CAUTION}\n\n{exit_codes()}")
@click.argument("plan_name", metavar="PLAN")
@click.option("--bench", "bench_name", metavar="BENCH", help="Run on this bench instead of the plan's.")
@click.option(
    "--set", "sets", multiple=True, metavar="NAME=VALUE", help="One value for a name of the plan; repeat."
)
@click.option("--only", multiple=True, metavar="STEP", help="Run this step only; repeat for several.")
@click.option("--from", "from_step", metavar="STEP", help="Run from this step on.")
@click.option(
    "--resume",
    "earlier",
    type=click.Path(path_type=Path),
    metavar="RUN",
    help="Go on with a run that did not come to its end: its folder or record.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("runs"),
    show_default=True,
    metavar="DIR",
    help="Where the folder of this run is made.",
)
@click.option(
    "--seed", type=click.IntRange(min=0), metavar="N", help="Seed of the noise on a simulated bench."
)
@click.option("--plain", is_flag=True, help="Plain lines, also on a terminal.")
@visa_option
@lab_option
def command(
    plan_name: str,
    bench_name: str | None,
    sets: tuple[str, ...],
    only: tuple[str, ...],
    from_step: str | None,
    earlier: Path | None,
    out: Path,
    seed: int | None,
    plain: bool,
    visa: str,
    lab_folder: Path | None,
) -> int:
    """Run PLAN on its bench and judge the readings.

    The run gets a folder of its own under --out with run.sqlite (the record), junit.xml and transcript.txt.
    A bench file that names a simulation runs in virtual time and touches no instrument; nothing else ever
    does.

    With --only and --from, steps before the chosen ones that establish a state (such as bring_up or retune)
    run too, in every combination: the chosen steps were written on top of that state.

    With --resume, the steps that RUN has finished are not done again; their readings are carried over into
    the new record, with their times. Steps that establish a state are done again where an unfinished step
    follows them. Plan, bench, drivers, calibrations, the unit, the instruments and hilkit must be those of
    RUN; else all that changed is named and nothing is sent.
    """
    from hilkit.plans import load_plan
    from hilkit.runner import Choice, Resumption, choose, recorded_choice

    lab = lab_of(lab_folder)
    path = locate("plan", plan_name, lab)
    lab = lab_for(path, lab, lab_folder)
    choice = Choice(only=only, from_step=from_step, sets=pairs(sets), bench=bench_name)
    source = _earlier(earlier) if earlier is not None else None
    if source is not None:
        choice = recorded_choice(source, choice)
        seed = int(source.seed) if seed is None and source.seed else seed
    plan = load_plan(path, lab, sets=choice.sets, bench_override=choice.bench)
    bench = _bench_of(plan, choice.bench, lab)
    chosen = choose(plan, only=choice.only, from_step=choice.from_step)
    resume = None
    if source is not None:
        resume = Resumption.of(source, plan, bench, lab, choice=choice, seed=seed)
    say_shadowed(lab)
    with open_door(bench, lab, visa=visa, seed=seed) as door:
        refuse_unattended(chosen, door.on_person)
        return _run(plan, bench, lab, door, out=out, plain=plain, choice=choice, resume=resume)


def _earlier(where: Path) -> StoredRun:
    """Read the record to go on with; one that cannot be read is a mistake of the command line."""
    from hilkit.record import Record

    try:
        return Record.open(run_of(where))
    except RecordError as error:
        raise UsageError(f"--resume {where}: {error.message}", next_step=error.next_step) from error


def _bench_of(plan: Plan, named: str | None, lab: Lab) -> Bench:
    """Load the bench and refuse what does not fit on it, before anything is opened."""
    from hilkit.bench import load_bench
    from hilkit.plans import bench_file, check_fit
    from hilkit.safety.watchdog import unwatched

    plan.bench_name()
    where = locate("bench", named, lab) if named else bench_file(plan, lab)
    bench = load_bench(where, lab)
    if problems := [*check_fit(plan, bench), *unwatched(bench)]:
        raise FileProblems(problems)
    return bench


def _run(
    plan: Plan,
    bench: Bench,
    lab: Lab,
    door: Door,
    *,
    out: Path,
    plain: bool,
    choice: Choice,
    resume: Resumption | None,
) -> int:
    from hilkit.record import new_run_folder, slug
    from hilkit.reports import Console, screen_for
    from hilkit.runner import run

    folder = new_run_folder(out, slug(plan.name), door.clock.utc())
    screen = screen_for(sys.stdout, plain=plain)
    console = Console(screen, caution=RF_CAUTION, folder=str(folder))
    try:
        code = run(
            plan,
            bench,
            clock=door.clock,
            resource_manager=door.resource_manager,
            folder=folder,
            lab=lab,
            listeners=[console.listener],
            only=choice.only,
            from_step=choice.from_step,
            seed=door.seed,
            on_person=door.on_person,
            resume=resume,
        )
    finally:
        screen.close()
    return int(worst_exit([code, report(folder, screen, console)]))


def report(folder: Path, screen: Screen, console: Console) -> ExitCode:
    """Write the JUnit file and show the summary; trouble here is told and never hides how the run ended."""
    from hilkit.record import Record
    from hilkit.reports import summary_block, with_farewell, write_junit

    problems: list[HilkitError] = []
    try:
        stored = with_farewell(Record.open(folder), console.farewell)
        try:
            write_junit(stored)
        except HilkitError as error:
            problems.append(error)
        with suppress(OSError):  # a closed pipe or terminal: the record and junit.xml are there
            screen.show(summary_block(stored, width=screen.width))
    except HilkitError as error:
        problems.append(error)
        if console.farewell is not None and console.farewell.not_safe:
            say("\n".join(["THE BENCH IS NOT SAFE: SWITCH OFF BY HAND", *console.farewell.not_safe]))
    for problem in problems:
        say(f"hilkit: {problem}")
    return ExitCode.BENCH if problems else ExitCode.PASSED
