"""What a procedure declares is what it does: no node ever gets more than its envelope predicts, driven nodes
get nearly as much, and a step takes about as long as it says.

The levels are those of the simulated bench, whose physics shares no formula with the prediction.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from hilkit.bench import Bench, load_bench
from hilkit.clock import VirtualClock
from hilkit.errors import ExitCode
from hilkit.files import Lab
from hilkit.plans import Plan, bench_file, load_plan
from hilkit.record import Outcome, Record
from hilkit.runner import run
from hilkit.safety import PersonStep, RfState, predict
from hilkit.safety.source import source_levels_dbm
from hilkit.sim import open_simulated
from hilkit.sim.levels import Seen
from hilkit.sim.profile import load_profile
from hilkit.sim.world import World

ONE = {"channel": "1", "carrier": "1842.5 MHz"}
QUICK = {
    "night_check": ONE,
    "tone_placement": {**ONE, "channel": "2"},
    "power_sweep": {"channel": "2"},
    "channel_power": {**ONE, "attenuation": "6 dB"},
    "retune_verification": {**ONE, "carrier": "2350 MHz"},
    "path_verification": {"channel": "1"},
}
"""Plans with the values of one combination."""

CLOSE_DB = 3.0

STEP_FACTOR, PLAN_FACTOR = 2.0, 1.35
"""How far the time taken may lie from the time declared, as a factor either way."""

SHORT_S = 2.0
"""A step that takes less than this may be off by it: set-up and first contact are no part of the envelope."""


class Played:
    """A plan that was run, with the bench that it believed in and the truth behind it."""

    def __init__(self, name: str, sets: dict[str, str], folder: Path) -> None:
        lab, clock = Lab(), VirtualClock()
        self.plan: Plan = load_plan(lab.find("plan", name), lab, sets=sets, bench_override=_bench_of(name))
        self.bench: Bench = load_bench(bench_file(self.plan, lab), lab)
        manager, self.world = open_simulated(load_profile("simulated_pier", lab), clock)
        folder.mkdir()

        def move(step: PersonStep) -> None:
            for instrument, plane in step.moves:
                self.world.connect(instrument, plane)

        try:
            self.code = run(
                self.plan,
                self.bench,
                clock=clock,
                resource_manager=manager,
                folder=folder,
                lab=lab,
                seed=self.world.seed,
                on_person=move,
            )
        finally:
            manager.close()
        self.stored = Record.open(folder)

    def declared(self) -> Iterator[tuple[str, float, float]]:
        """Yield node, most that the gate would predict, and what the state itself makes of it, in dBm.

        A tone below full scale is as far below on every node; a modulated stream reaches full scale in its
        peaks, whatever its level.
        """
        for combination, step in self.plan.runs():
            settings = step.settings(combination)
            for exposure in step.procedure.envelope(settings, self.bench):
                for node, level in predict(self.bench, exposure.state).items():
                    yield node, level, level + _drive_db(exposure.state)
            for each in step.procedure.sources(settings, self.bench):
                levels = source_levels_dbm(
                    self.bench,
                    each.generator,
                    each.lead,
                    frequency_hz=each.frequency_hz,
                    level_dbm=each.level_dbm,
                )
                yield from ((node, level, level) for node, level in levels.items())

    def highest(self) -> dict[str, tuple[float, float]]:
        """Return for each node the highest of both."""
        found: dict[str, tuple[float, float]] = {}
        for node, most, stated in self.declared():
            before = found.get(node, (-math.inf, -math.inf))
            found[node] = max(before[0], most), max(before[1], stated)
        return found


def _bench_of(name: str) -> str | None:
    return "simulated_pier" if name == "tone_placement" else None


def _drive_db(state: RfState) -> float:
    return min(0.0, state.drive_dbfs) if state.tone_offset_hz is not None else 0.0


def seen_by(world: World, bench: Bench) -> dict[str, Seen]:
    """Return the highest levels that the simulated bench saw at each node."""
    found = {f"{name} sensor": world.levels.at_sensor(name) for name in world.meters}
    for number in bench.channels:
        path = bench.path(number)
        along = world.levels.along(path.name)
        for node in path.nodes:
            here, last = along[path.place(node)], found.get(node, Seen())
            found[node] = Seen(
                average_dbm=max(here.average_dbm, last.average_dbm),
                peak_dbm=max(here.peak_dbm, last.peak_dbm),
            )
    return found


@pytest.fixture(scope="module", params=sorted(QUICK))
def played(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Played:
    name: str = request.param
    return Played(name, QUICK[name], tmp_path_factory.mktemp(name) / "run")


def check_levels(played: Played) -> None:
    assert played.code is ExitCode.PASSED
    predicted, found = played.highest(), seen_by(played.world, played.bench)
    driven = {node for node, (_, stated) in predicted.items() if stated > -math.inf}
    assert driven
    for node, seen in found.items():
        most, stated = predicted.get(node, (-math.inf, -math.inf))
        told = f"{node} got {seen}, {most:.2f} dBm were predicted, the envelope says {stated:.2f} dBm"
        assert seen.peak_dbm <= most, told
        assert seen.average_dbm <= stated, told
        if node in driven:
            assert seen.peak_dbm >= stated - CLOSE_DB, told


def check_times(played: Played) -> None:
    steps = [step for step in played.stored.steps if step.outcome is Outcome.DONE]
    for step in steps:
        low, high = step.expected_s / STEP_FACTOR - SHORT_S, step.expected_s * STEP_FACTOR + SHORT_S
        assert low <= step.took_s <= high, f"{step.step}: {step.took_s:.2f} s, not {step.expected_s:.2f} s"
    expected, took = sum(step.expected_s for step in steps), sum(step.took_s for step in steps)
    low, high = expected / PLAN_FACTOR - SHORT_S, expected * PLAN_FACTOR + SHORT_S
    assert low <= took <= high, f"{took:.1f} s instead of {expected:.1f} s"


def test_no_node_gets_more_than_predicted_and_driven_ones_nearly_as_much(played: Played) -> None:
    """An envelope that leaves a state out fails the first half, one with all at full power the other."""
    check_levels(played)


def test_steps_and_plan_take_about_as_long_as_their_envelopes_say(played: Played) -> None:
    """Half to twice for a step, 35 % for a plan, 2 s of set-up aside: common practice, no source."""
    check_times(played)


def test_an_envelope_of_everything_at_its_maximum_would_be_found(
    played: Played, monkeypatch: pytest.MonkeyPatch
) -> None:
    highest = {node: (most + 10.0, stated + 10.0) for node, (most, stated) in played.highest().items()}
    monkeypatch.setattr(Played, "highest", lambda self: highest)
    with pytest.raises(AssertionError, match="the envelope says"):
        check_levels(played)


@pytest.mark.long
@pytest.mark.parametrize("name", sorted({*QUICK, "path_calibration"}))
def test_the_same_over_all_combinations(name: str, tmp_path: Path) -> None:
    whole = Played(name, {}, tmp_path / "run")
    check_levels(whole)
    check_times(whole)
