"""Every plan that comes with the tool is without mistakes, and fits the simulated bench."""

import jsonschema
import pytest

from hilkit.bench import load_bench
from hilkit.errors import UsageError
from hilkit.files import Lab, library, load
from hilkit.plans import check_fit, load_plan, plan_schema

PLANS = sorted(path.stem for path in (library() / "sequences").glob("*.yaml"))


@pytest.fixture(scope="module")
def lab():
    return Lab(None)


def test_there_are_plans():
    assert "night_check" in PLANS


@pytest.mark.parametrize("name", PLANS)
def test_a_shipped_plan_has_no_mistake_and_fits_the_simulated_bench(name, lab):
    plan = load_plan(lab.find("plan", name), lab)
    day = "simulated_pier_calibration" if name.startswith("path_") else "simulated_pier"
    day = {"receiver_check": "simulated_slip"}.get(name, day)
    pier = load_bench(lab.find("bench", day), lab)
    assert [problem.render() for problem in check_fit(plan, pier)] == []


@pytest.mark.parametrize("name", PLANS)
def test_a_shipped_plan_keeps_to_the_schema(name, lab):
    validator = jsonschema.Draft202012Validator(plan_schema())
    assert list(validator.iter_errors(load(lab.find("plan", name)).data)) == []


def test_the_night_check_covers_both_channels_and_both_bands(lab):
    plan = load_plan(lab.find("plan", "night_check"), lab)
    assert plan.title == "night check, two-channel radio head"
    assert plan.bench_name() == "simulated_pier"
    assert len(plan.combinations) == 4
    assert [step.procedure.name for step in plan.steps] == [
        "bring_up",
        "tone_placement",
        "power_sweep",
        "retune",
    ]


def test_the_plan_for_any_bench_names_none(lab):
    with pytest.raises(UsageError, match="names no bench"):
        load_plan(lab.find("plan", "tone_placement"), lab).bench_name()


def test_the_tone_is_resolved_as_deep_as_the_limits_need(lab):
    plan = load_plan(lab.find("plan", "night_check"), lab)
    for each in plan.combinations:
        assert plan.step("tone_placement").settings(each).resolve_down_to.db == -50.0
