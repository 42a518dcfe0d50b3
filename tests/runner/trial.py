"""A small bench (the simulated one), small procedures, and one call that runs a plan of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar, Literal

from hilkit.bench import Bench, load_bench
from hilkit.clock import VirtualClock
from hilkit.errors import ExitCode, Interrupted, LinkError, MeasurementError, RefusedError, SafetyStop
from hilkit.files import Lab
from hilkit.plans import Plan, load_plan
from hilkit.procedures.contract import Exposure, Need, Procedure, Settings
from hilkit.readings import Bound, Measured, ReadingSpec
from hilkit.record import Listener, Record, StoredRun
from hilkit.runner import run
from hilkit.safety import RfState
from hilkit.sim import open_simulated
from hilkit.sim.profile import Fault, load_profile
from hilkit.sim.world import World

CARRIER_HZ = 1_842_500_000.0

Trouble = Literal[
    "none",
    "refused",
    "measurement",
    "link",
    "safety",
    "interrupt",
    "keyboard",
    "defect",
    "never",
    "undeclared",
]

RAISES: dict[str, BaseException] = {
    "refused": RefusedError("-222,'Data out of range'", instrument="analyser", next_step="ask for less"),
    "measurement": MeasurementError("the tone is not there"),
    "link": LinkError("no answer", instrument="analyser"),
    "safety": SafetyStop("41 dBm at the pad input, rated 27 dBm"),
    "interrupt": Interrupted("stopped by Ctrl-C"),
    "keyboard": KeyboardInterrupt(),
    "defect": ZeroDivisionError("division by zero"),
}


class TrialSettings(Settings):
    channel: int = 1
    value: float = 1.0
    trouble: Trouble = "none"
    rf: bool = False
    wait: float = 1.0
    series: tuple[float, ...] = ()


class Trial(Procedure[TrialSettings]):
    """Turns RF on if told to, yields a level, waits, and then fails in the way asked for."""

    settings_model = TrialSettings
    readings = (
        ReadingSpec(name="level", unit="dBm", meaning="the value that was asked for"),
        ReadingSpec(name="steps", unit="dB", meaning="a series", series=True),
        ReadingSpec(name="after", unit="s", meaning="never comes after trouble"),
    )
    needs: ClassVar[tuple[Need, ...]] = ()

    def envelope(self, settings: TrialSettings, bench: Any) -> Iterable[Exposure]:
        return [Exposure(state=quiet(settings.channel), expected_s=settings.wait)]

    def measure(self, session: Any, settings: TrialSettings) -> Iterator[Measured]:
        if settings.rf:
            session.select(settings.channel)
            session.rf(quiet(settings.channel))
        session.fact("unit", session.radio.identity().serial)
        session.note("looking")
        yield Measured(name="level", value=settings.value)
        for index, value in enumerate(settings.series):
            yield Measured(name="steps", value=value, index=float(index))
        session.clock.sleep(settings.wait)
        if settings.trouble in RAISES:
            raise RAISES[settings.trouble]
        if settings.trouble == "undeclared":
            yield Measured(name="surprise", value=1.0)
        if settings.trouble != "never":
            yield Measured(name="after", value=settings.wait, bound=Bound.LOWER)


def quiet(channel: int) -> RfState:
    return RfState(
        channel=channel, carrier_hz=CARRIER_HZ, attenuation_db=31.5, tone_offset_hz=1e6, pad_db=30.0
    )


class Look(Trial):
    name = "look"
    summary = "measures"
    establishes_state = False


class Prepare(Trial):
    name = "prepare"
    summary = "establishes a state"
    establishes_state = True


PROCEDURES: dict[str, Procedure[Any]] = {"look": Look(), "prepare": Prepare()}
HEAD = "plan: a trial\nbench: simulated_pier\n"


@dataclass
class Done:
    """What came of a run."""

    code: ExitCode
    stored: StoredRun
    world: World
    clock: VirtualClock

    @property
    def outcomes(self) -> list[str]:
        return [f"{step.step} {step.outcome} {step.verdict}" for step in self.stored.steps]

    @property
    def rf_on(self) -> list[bool]:
        """What the simulated radio itself says of RF on each channel."""
        return [self.world.radio.handle_line(f"rf {channel}") == f"rf {channel} on" for channel in (1, 2)]


@dataclass
class Table:
    """A simulated bench with everything that a run of a plan on it needs."""

    plan: Plan
    bench: Bench
    lab: Lab
    clock: VirtualClock
    manager: Any
    world: World


@contextmanager
def laid(folder: Path, steps: str, *, vary: str = "", faults: Sequence[Fault] = ()) -> Iterator[Table]:
    """Lay the table for a plan whose steps are the lines of ``steps``."""
    path = folder / "trial.yaml"
    path.write_text(f"{HEAD}{vary}\nsteps:\n{steps}\n", encoding="utf-8")
    lab = Lab(None)
    plan = load_plan(path, lab, procedures=PROCEDURES)
    clock = VirtualClock()
    profile = load_profile(lab.find("profile", "simulated_pier"), lab)
    manager, world = open_simulated(profile, clock, seed=1, faults=faults)
    try:
        yield Table(plan, load_bench("simulated_pier", lab), lab, clock, manager, world)
    finally:
        manager.close()


def go(
    folder: Path,
    steps: str,
    *,
    vary: str = "",
    faults: Sequence[Fault] = (),
    listeners: Sequence[Listener] = (),
    **choice: Any,
) -> Done:
    """Run a plan and return what came of it."""
    with laid(folder, steps, vary=vary, faults=faults) as table:
        out = folder / "run"
        out.mkdir()
        code = run(
            table.plan,
            table.bench,
            clock=table.clock,
            resource_manager=table.manager,
            folder=out,
            lab=table.lab,
            listeners=listeners,
            seed=1,
            **choice,
        )
        return Done(code, Record.open(out), table.world, table.clock)
