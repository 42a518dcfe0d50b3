"""A small night on the simulated bench, the records that a kill would leave of it, and runs that go on."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from hilkit.bench import Bench, load_bench
from hilkit.clock import VirtualClock
from hilkit.errors import ExitCode
from hilkit.files import Lab
from hilkit.plans import Plan, load_plan
from hilkit.record import DATABASE, Event, Record, StoredRun
from hilkit.runner import Choice, Resumption, run
from hilkit.sim import open_simulated
from hilkit.sim.profile import Profile, load_profile

PLAN = """\
plan: a small night
bench: simulated_pier
vary: {channel: [1, 2]}
steps:
  - bring_up: {channel: $channel, carrier: 1842.5 MHz, reference: external, limits: {calibrated: {min: 1}}}
  - tone_placement:
      channel: $channel
      carrier: 1842.5 MHz
      offset: 7.5 MHz
      attenuation: 6 dB
      limits: {image: {max: -50 dBc}, tone_level: {nominal: 12 dBm, within: 2 dB}}
  - power_sweep:
      channel: $channel
      carrier: 1842.5 MHz
      offset: 7.5 MHz
      from: 0 dB
      to: 3 dB
      step: 1 dB
      limits: {step_error: {within: 0.25 dB}}
  - retune: {channel: $channel, carrier: 1842.5 MHz, to: 1862.5 MHz, offset: 7.5 MHz, attenuation: 6 dB}
"""
SEED = 3

_STILL = {
    "droop: 0.03 dB": "droop: 0 dB\n        temperature_rise: 0.0",
    "off_residue: -85 dBm": "off_residue: -200 dBm",
    "off_residue: -88 dBm": "off_residue: -200 dBm",
    "off_isolation: 85 dB": "off_isolation: 200 dB",
}
"""No warm-up, and nothing leaves a port that is off: a channel used earlier leaves nothing to be seen."""


@dataclass
class SmallNight:
    """A lab folder with its plan and bench."""

    folder: Path
    lab: Lab
    plan: Plan
    bench: Bench

    def run(
        self,
        name: str,
        *,
        source: StoredRun | None = None,
        listener: Callable[[Event], None] | None = None,
        other: tuple[str, str] | None = None,
    ) -> tuple[ExitCode, StoredRun]:
        """Run the plan into a folder, on with ``source`` if there is one.

        ``other`` replaces a text of the profile by another one: the bench was touched behind the run's back.
        """
        choice = Choice(bench=self.plan.bench)
        resume = None
        if source is not None:
            resume = Resumption.of(source, self.plan, self.bench, self.lab, choice=choice, seed=SEED)
        folder = self.folder / name
        folder.mkdir()
        clock = VirtualClock()
        manager, _ = open_simulated(self._profile(other), clock, seed=SEED)
        try:
            code = run(
                self.plan,
                self.bench,
                clock=clock,
                resource_manager=manager,
                folder=folder,
                lab=self.lab,
                listeners=[listener] if listener is not None else [],
                seed=SEED,
                resume=resume,
            )
        finally:
            manager.close()
        return code, Record.open(folder)

    def _profile(self, other: tuple[str, str] | None) -> Profile:
        path = self.lab.find("profile", "simulated_pier")
        text = path.read_text(encoding="utf-8")
        if other is not None:
            assert other[0] in text
            path.write_text(text.replace(*other, 1), encoding="utf-8")
        profile = load_profile(path, self.lab)
        path.write_text(text, encoding="utf-8")
        return profile


def small_night(folder: Path, *, drift: bool, plan: str = PLAN) -> SmallNight:
    """Make a lab whose radio warms up and leaks while it is off (``drift``), or not."""
    profiles = folder / "sim_profiles"
    shutil.copytree(Path(__file__).parents[2] / "sim_profiles", profiles)
    if not drift:
        path = profiles / "simulated_pier.yaml"
        text = path.read_text(encoding="utf-8")
        for old, new in _STILL.items():
            text = text.replace(old, new)
        path.write_text(text, encoding="utf-8")
    (folder / "small.yaml").write_text(plan, encoding="utf-8")
    return laid_night(folder)


def laid_night(folder: Path) -> SmallNight:
    """Return the lab that ``small_night`` has made."""
    lab = Lab(folder)
    return SmallNight(folder, lab, load_plan(folder / "small.yaml", lab), load_bench("simulated_pier", lab))


def as_killed(record: Path, target: Path) -> Path:
    """Copy what a killed run would leave at this moment: the record with its write-ahead log."""
    target.mkdir()
    for name in (DATABASE, f"{DATABASE}-wal"):
        if (record / name).exists():
            shutil.copy(record / name, target / name)
    return target
