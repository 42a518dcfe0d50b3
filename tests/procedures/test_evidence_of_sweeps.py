"""Every reading that a sweep of the analyser has made tells what the analyser said of that sweep."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from hilkit.bench import load_bench
from hilkit.files import Lab, library
from hilkit.plans import load_plan
from hilkit.procedures import PROCEDURES
from hilkit.readings import Measured
from hilkit.testing import simulated_bench

OF_A_SWEEP = {"overload", "calibrated sweep", "reference lock"}

# Made from samples of the unit itself: there is no analyser in it.
BY_THE_UNIT = ("noise_figure", "receiver_gain", "receiver_intercept", "receiver_responses", "sensitivity")

# What the radio reports or a clock counted: no sweep has made it.
WITHOUT_A_SWEEP = {
    "bring_up": {spec.name for spec in PROCEDURES["bring_up"].readings},
    "tone_placement": {"corrections_time"},
    "retune": {"lock_time", "calibration_time", "corrections_time", "resets"},
    **{name: {spec.name for spec in PROCEDURES[name].readings} for name in BY_THE_UNIT},
}

PLANS = sorted((library() / "sequences").glob("*.yaml"))


def taken(plan_file, **changed: object) -> Iterator[tuple[str, Measured]]:
    """Run the first combination of a plan; ``changed`` are settings for those procedures that have them."""
    lab = Lab(None)
    plan = load_plan(plan_file, lab)
    first = plan.combinations[0]
    file = lab.find("bench", plan.bench or "simulated_pier")
    with simulated_bench(load_bench(file, lab).simulation, bench=file, seed=1) as on:
        for step in plan.steps:
            settings = step.settings(first)
            known = {name: value for name, value in changed.items() if hasattr(settings, name)}
            if "step" in type(settings).model_fields and step.procedure.asks_person:
                known["step"] = type(settings.step)(200e6)  # a coarse grid tells as much
            for measured in step.procedure.measure(on.session, settings.model_copy(update=known)):
                yield step.procedure.name, measured


@pytest.fixture(scope="module")
def readings() -> dict[str, list[Measured]]:
    found: dict[str, list[Measured]] = {}
    for plan in PLANS:
        for name, measured in taken(plan, sensor="signal_analyser"):
            found.setdefault(name, []).append(measured)
    return found


def lacking(name: str, measured: Measured) -> set[str]:
    if measured.name in WITHOUT_A_SWEEP.get(name, ()):
        return set()
    return OF_A_SWEEP - {each.name for each in measured.evidence}


def test_the_shipped_plans_run_every_procedure_and_yield_everything_that_it_declares(readings):
    assert set(readings) == set(PROCEDURES)
    for name, measured in readings.items():
        assert {each.name for each in measured} == {spec.name for spec in PROCEDURES[name].readings}, name


@pytest.mark.parametrize("name", sorted(PROCEDURES))
def test_every_reading_of_a_sweep_says_what_the_analyser_said(readings, name):
    without = {each.name: lacking(name, each) for each in readings[name] if lacking(name, each)}
    assert without == {}
    shown = [each for each in readings[name] if each.trace is not None]
    assert all({check.name for check in each.evidence} >= OF_A_SWEEP for each in shown)


def test_what_is_excepted_is_declared_by_its_procedure_and_carries_no_trace(readings):
    for name, excepted in WITHOUT_A_SWEEP.items():
        assert excepted <= {spec.name for spec in PROCEDURES[name].readings}
        assert all(each.trace is None for each in readings[name] if each.name in excepted)


def test_a_loss_read_by_the_power_meter_says_that_it_was_not_overloaded():
    plan = next(file for file in PLANS if file.stem == "path_verification")
    found = [measured for _, measured in taken(plan)]
    assert [[each.name for each in measured.evidence] for measured in found] == [["overload"]] * 3


def test_a_missing_check_is_seen(readings):
    """The test itself: a reading without the evidence of its sweep would be told."""
    image = next(each for each in readings["tone_placement"] if each.name == "image")
    assert lacking("tone_placement", replace(image, evidence=())) == OF_A_SWEEP
