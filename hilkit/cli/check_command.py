"""``hilkit check``."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hilkit.cli.calibrations import calibration_warnings
from hilkit.cli.common import Kind, counted, lab_for, lab_of, lab_option, locate
from hilkit.errors import BenchError, ExitCode, FileProblems, HilkitError, Problem, UsageError
from hilkit.files.shapes import near

if TYPE_CHECKING:
    from hilkit.files import Lab
    from hilkit.plans import NodePower

    PowerTable = tuple[list[NodePower], float]
    _Found = tuple[str, PowerTable | None]

__all__ = ["command"]

FOLDER_KINDS: dict[str, Kind] = {
    "drivers": "driver",
    "sequences": "plan",
    "sim_profiles": "profile",
    "benches": "bench",
}
FIRST_KEYS: dict[str, Kind] = {"plan": "plan", "bench": "bench", "driver": "driver", "profile": "profile"}
"""The key that names the kind of a file; ``plan`` comes first, since a plan names a bench too."""


@click.command("check")
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option(
    "--bench", "bench_name", metavar="BENCH", help="Check plans against this bench instead of their own."
)
@lab_option
def command(files: tuple[str, ...], bench_name: str | None, lab_folder: Path | None) -> int:
    """Check plans, benches, drivers and profiles without touching an instrument.

    Every mistake is shown with its place. A plan is also checked against its bench: instruments it needs,
    carriers, path loss at its frequencies, predicted levels against the ratings, the calibrations of today;
    then a table shows the highest level that it can put on every node of the bench, with the rating and the
    step that puts it there. Exit code 2 if there is any mistake, or if the run would be refused.
    """
    clean = True
    for name in files:
        for kind in _kinds_of(name, lab_folder):
            try:
                sentence, block = _checked(name, kind, bench_name, lab_folder)
                click.echo(f"{name}: {sentence}")
                _show(block)
            except HilkitError as error:
                clean = False
                click.echo(str(error) if isinstance(error, FileProblems) else f"{name}: {error}", err=True)
    return int(ExitCode.PASSED if clean else ExitCode.USAGE)


def _kinds_of(name: str, lab_folder: Path | None) -> list[Kind]:
    """Return the kinds of file that a name alone stands for; for a path the one that its folder tells."""
    path = Path(name)
    if path.suffix or len(path.parts) != 1 or path.exists():
        return [_kind_by_folder(path)]
    lab = lab_of(lab_folder)
    kinds = dict.fromkeys(FIRST_KEYS.values())
    known = [kind for kind in kinds if name in lab.names(kind)]
    near_by = [kind for kind in kinds if near(name, lab.names(kind))]
    return known or near_by[:1] or ["plan"]


def _checked(name: str, by_name: Kind, bench_name: str | None, lab_folder: Path | None) -> _Found:
    """Check one file; return what was found in order, and a table for it, or raise with every mistake."""
    lab = lab_of(lab_folder)
    path = locate(by_name, name, lab)
    lab = lab_for(path, lab, lab_folder)
    if path.suffix and path.suffix not in (".yaml", ".yml"):
        hint = "plans, benches, drivers and profiles end in .yaml; what they name is checked with them"
        raise UsageError("this is none of the files that are checked", next_step=hint)
    kind = _kind(path)
    if kind == "plan":
        return _check_plan(path, bench_name, lab)
    return _check_other(path, kind, lab), None


def _show(block: PowerTable | None) -> None:
    """Print the table of a plan, in the width of the terminal; plain where the output is none."""
    if block is None:
        return
    from hilkit.reports import power_block, screen_for

    screen = screen_for(sys.stdout)
    try:
        screen.show(power_block(block[0], margin_db=block[1], width=screen.width))
    finally:
        screen.close()


def _check_other(path: Path, kind: Kind, lab: Lab) -> str:
    if kind == "bench":
        from hilkit.bench import load_bench
        from hilkit.cli.against_profile import check_against_profile

        bench = load_bench(path, lab)
        if problems := check_against_profile(bench, lab):
            raise FileProblems(problems)
        instruments = counted(len(bench.instruments) + 1, "instrument")
        in_order = f"bench in order: {instruments}, {counted(len(bench.paths), 'path')}"
        return "\n".join([in_order, *calibration_warnings(bench)])
    if kind == "driver":
        from hilkit.instruments import load_dialect

        return f"driver in order, for a {load_dialect(str(path), lab).instrument_class.replace('_', ' ')}"
    from hilkit.sim.profile import load_profile

    load_profile(path, lab)
    return "profile in order"


def _check_plan(path: Path, bench_name: str | None, lab: Lab) -> _Found:
    from hilkit.bench import load_bench
    from hilkit.plans import bench_file, check_fit, load_plan, power_budget
    from hilkit.safety.watchdog import unwatched

    plan = load_plan(path, lab, bench_override=bench_name)
    count = len(plan.combinations) * len(plan.steps)
    in_order = f"plan in order: {counted(count, 'step')} in {counted(len(plan.combinations), 'combination')}"
    if plan.bench is None:
        return f"{in_order}; it names no bench, so nothing was checked against one", None
    where = locate("bench", bench_name, lab) if bench_name else bench_file(plan, lab)
    bench = load_bench(where, lab)
    if problems := [*check_fit(plan, bench), *unwatched(bench)]:
        with suppress(BenchError):  # what the mistakes say as well: a channel that is not there, no loss
            _show((power_budget(plan, bench), bench.margin_db))
        raise FileProblems(problems)
    told = "\n".join([f"{in_order}; it fits the bench {bench.name}", *calibration_warnings(bench, plan)])
    return told, (power_budget(plan, bench), bench.margin_db)


def _kind_by_folder(path: Path) -> Kind:
    return "bench" if path.name.endswith(".bench.yaml") else FOLDER_KINDS.get(path.parent.name, "plan")


def _kind(path: Path) -> Kind:
    """Say which kind of file this is, by its first telling key, else by its folder."""
    from hilkit.files import load

    document = load(path)
    keys = document.data if isinstance(document.data, dict) else {}
    for key, kind in FIRST_KEYS.items():
        if key in keys:
            return kind
    if path.resolve().parent.name in FOLDER_KINDS:
        return _kind_by_folder(path.resolve())
    told = Problem(
        file=str(path),
        line=1,
        column=1,
        message="this is not one of the files that hilkit knows",
        seen=", ".join(keys) or "no keys",
        allowed=f"a file whose first key is {', '.join(FIRST_KEYS)}",
        next_step="look at 'hilkit manual' for the kinds of file",
    )
    raise FileProblems([told]) if keys else UsageError(told.render())
