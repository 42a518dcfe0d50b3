"""Runs on the simulated bench that something must stop: a fault from some time on, a changed profile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from hilkit.bench import load_bench
from hilkit.clock import VirtualClock
from hilkit.errors import ExitCode
from hilkit.files import Lab, library
from hilkit.plans import load_plan
from hilkit.record import Record, StoredRun
from hilkit.runner import run
from hilkit.sim import open_simulated
from hilkit.sim.profile import Fault, load_profile
from hilkit.sim.world import World

__all__ = ["Watched", "watched"]

PLAN = """\
plan: a tone, watched
bench: simulated_pier
steps:
  - bring_up: {channel: 1, carrier: 1842.5 MHz, reference: external}
  - tone_placement: {channel: 1, carrier: 1842.5 MHz, offset: 7.5 MHz, attenuation: 6 dB, corrections: false}
  - power_sweep: {channel: 1, carrier: 1842.5 MHz, offset: 7.5 MHz, from: 0 dB, to: 12 dB, step: 2 dB}
"""

Change = tuple[str, str]


@dataclass
class Watched:
    """What came of a run, and what the simulated radio truly did.

    ``levels`` are the nominal levels in dBm that stood at port 1, each with its time in s, one for each
    change.
    """

    code: ExitCode
    stored: StoredRun
    world: World
    clock: VirtualClock
    levels: list[tuple[float, float]]
    transcript: list[str]

    @property
    def reason(self) -> str:
        """Why the run ended."""
        return self.stored.reason

    @property
    def highest_dbm(self) -> float:
        """Highest level that stood at port 1."""
        return max(level for _, level in self.levels)

    @property
    def off_s(self) -> float:
        """When RF went off for the last time."""
        assert self.levels[-1][1] == float("-inf"), "RF is still on"
        return self.levels[-1][0]


def watched(
    folder: Path,
    *faults: Fault,
    plan: str = PLAN,
    truth: Sequence[Change] = (),
    belief: Sequence[Change] = (),
) -> Watched:
    """Run a plan on the shipped simulated bench, texts of its two files replaced."""
    shipped = library() / "sim_profiles"
    (folder / "measured_line.s2p").write_bytes((shipped / "measured_line.s2p").read_bytes())
    for name, changes in (("simulated_pier.yaml", truth), ("simulated_pier.bench.yaml", belief)):
        text = (shipped / name).read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text, f"{old!r} is not in {name}"
            text = text.replace(old, new)
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "plan.yaml").write_text(plan, encoding="utf-8")
    lab = Lab(None)
    clock = VirtualClock()
    manager, world = open_simulated(
        load_profile(folder / "simulated_pier.yaml", lab), clock, seed=1, faults=faults
    )
    levels: list[tuple[float, float]] = []
    channel = world.radio.channels[1]

    def note() -> None:
        level = channel.nominal_level_dbm()
        if not levels or levels[-1][1] != level:
            levels.append((clock.now(), level))

    set_trim, set_rf = channel.set_trim, channel.set_rf

    def trimmed(now: float, db: float) -> None:
        set_trim(now, db)
        note()

    def switched(now: float, on: bool) -> None:
        set_rf(now, on)
        note()

    channel.set_trim, channel.set_rf = trimmed, switched  # type: ignore[method-assign]
    out = folder / "run"
    out.mkdir()
    try:
        code = run(
            load_plan(folder / "plan.yaml", lab),
            load_bench(folder / "simulated_pier.bench.yaml", lab),
            clock=clock,
            resource_manager=manager,
            folder=out,
            lab=lab,
            seed=1,
        )
    finally:
        manager.close()
    lines = (out / "transcript.txt").read_text(encoding="utf-8").splitlines()
    return Watched(code, Record.open(out), world, clock, levels, lines)
