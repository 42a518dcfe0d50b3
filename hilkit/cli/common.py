"""What several commands share: options, finding files, opening a bench for real or simulated."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import click

from hilkit.cli.person import at_terminal, played_by
from hilkit.errors import UsageError
from hilkit.masking import masked

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.clock import Clock
    from hilkit.files import Lab
    from hilkit.safety import OnPerson
    from hilkit.sim.profile import Profile

__all__ = [
    "Door",
    "Kind",
    "counted",
    "is_interactive",
    "lab_for",
    "lab_of",
    "lab_option",
    "locate",
    "open_door",
    "pairs",
    "resources_of",
    "run_of",
    "say",
    "say_shadowed",
    "simulated_door",
    "visa_manager",
    "visa_option",
]

Kind = Literal["driver", "plan", "bench", "profile"]
F = TypeVar("F", bound=Callable[..., Any])

PURE_PYTHON_VISA = "@py"
_SUFFIXES = (".yaml", ".yml")


def lab_option(function: F) -> F:
    """Add ``--lab``."""
    return click.option(
        "--lab",
        "lab_folder",
        type=click.Path(path_type=Path, file_okay=False, exists=True),
        help="The lab folder, if it is not the nearest one above.",
    )(function)


def visa_option(function: F) -> F:
    """Add ``--visa``."""
    return click.option(
        "--visa",
        default=PURE_PYTHON_VISA,
        show_default=True,
        metavar="LIBRARY",
        help="VISA library for a real bench: a path, or @py for the one that needs no other program.",
    )(function)


def say_shadowed(lab: Lab) -> None:
    """Tell which files of the lab stand in front of one that came with hilkit."""
    for sentence in lab.shadowed:
        say(f"note: {sentence}")


def counted(number: int, noun: str) -> str:
    """Return a number with its noun, ``1 step`` or ``2 steps``."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def say(text: str) -> None:
    """Tell the person something beside the result."""
    click.echo(masked(text), err=True)


def lab_of(folder: Path | None, near: Path | None = None) -> Lab:
    """Return the lab of ``--lab``, or the one above ``near`` (the current folder if not given)."""
    from hilkit.files import Lab

    return Lab(folder) if folder is not None else Lab.above(near or Path.cwd())


def lab_for(path: Path, lab: Lab, folder: Path | None) -> Lab:
    """Return the lab that a file found through ``lab`` belongs to: its own, unless it came with hilkit."""
    if folder is not None or any(path.resolve().is_relative_to(root) for root in lab.roots):
        return lab
    return lab_of(None, path.resolve().parent)


def locate(kind: Kind, text: str, lab: Lab) -> Path:
    """Find a file by path or name.

    A path that exists is taken as it is. Else its name is looked up in the lab and then among the files that
    came with hilkit, so that ``sequences/night_check.yaml`` works in an empty folder too; this is said, never
    silent.
    """
    path = Path(text)
    if path.is_file() or path.is_dir():
        return path
    if path.suffix not in _SUFFIXES and len(path.parts) == 1:
        return lab.find(kind, text)
    if path.is_absolute() or ".." in path.parts:
        raise UsageError(f"there is no file {text}", next_step="check the path, or give the name alone")
    name = path.name.removesuffix(path.suffix) if path.suffix in _SUFFIXES else path.name
    found = lab.find(kind, name.removesuffix(".bench") if kind == "bench" else name)
    say(f"note: {text} is not here; using {found}")
    return found


def pairs(texts: Sequence[str]) -> dict[str, str]:
    """Return ``NAME=VALUE`` texts as a mapping."""
    result: dict[str, str] = {}
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise UsageError(
                f"--set {text}: a name and a value are needed", next_step="write --set channel=1"
            )
        if name.strip() in result:
            raise UsageError(f"--set {name.strip()} is given twice", next_step="one value for each name")
        result[name.strip()] = value.strip()
    return result


@dataclass(frozen=True, kw_only=True)
class Door:
    """What a bench is reached through. ``seed`` is ``None`` and ``resources`` empty on a real bench.

    ``on_person`` has a person do something there, ``None`` where nobody is.
    """

    resource_manager: Any
    clock: Clock
    seed: int | None = None
    resources: Mapping[str, str] = field(default_factory=dict)
    on_person: OnPerson | None = None


@contextmanager
def open_door(
    bench: Bench, lab: Lab, *, visa: str = PURE_PYTHON_VISA, seed: int | None = None
) -> Iterator[Door]:
    """Open the way to a bench: simulated, in virtual time, where its file says so; else VISA in real time."""
    if bench.simulation is not None:
        with simulated_door(bench.simulation, lab, seed=seed, near=bench.file.parent) as door:
            yield door
        return
    if seed is not None:
        raise UsageError(
            f"--seed has no meaning on {bench.name}: it is a real bench", next_step="leave --seed away"
        )
    from hilkit.clock import WallClock

    manager = visa_manager(visa)
    try:
        clock = WallClock()
        yield Door(resource_manager=manager, clock=clock, on_person=at_terminal(clock))
    finally:
        manager.close()


@contextmanager
def simulated_door(name: str, lab: Lab, *, seed: int | None, near: Path | None = None) -> Iterator[Door]:
    """Open a simulated bench by the name or path of its profile."""
    from hilkit.clock import VirtualClock
    from hilkit.sim import open_simulated
    from hilkit.sim.profile import load_profile

    clock = VirtualClock()
    path = lab.find("profile", name, relative_to=near) if near is not None else locate("profile", name, lab)
    profile = load_profile(path, lab)
    manager, world = open_simulated(profile, clock, seed)
    try:
        yield Door(
            resource_manager=manager,
            clock=clock,
            seed=world.seed,
            resources=resources_of(profile),
            on_person=played_by(world),
        )
    finally:
        manager.close()


def resources_of(profile: Profile) -> dict[str, str]:
    """Return the resource of every instrument of a profile by name, the radio under ``radio``."""
    file = profile.file
    boxes = (file.analysers, file.pads, file.relays)
    resources = {name: box.resource for group in boxes for name, box in group.items()}
    generators = {name: each.resource for name, each in file.generators.items()}
    meters = {name: each.resource for name, each in file.power_meters.items()}
    supplies = {name: each.resource for name, each in file.supplies.items()}
    return {**resources, "radio": file.radio.resource, **generators, **meters, **supplies}


def visa_manager(library: str) -> Any:
    """Return a VISA resource manager; ``LinkError`` if the library cannot be used."""
    from hilkit.instruments.visa import visa_manager as opened

    return opened(library)


def run_of(folder: Path) -> Path:
    """Return the folder of a run; a name that is not here is looked for under ``runs``."""
    under_runs = Path("runs") / folder
    return under_runs if not folder.exists() and under_runs.exists() else folder


def is_interactive() -> bool:
    """Return whether a person sits at both ends."""
    return sys.stdin.isatty() and sys.stdout.isatty()
