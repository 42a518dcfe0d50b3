"""A guard band that leaves nothing of a tolerance zone is told before anything is measured."""

from pathlib import Path

import pytest

from hilkit.bench import load_bench
from hilkit.files import Lab
from hilkit.plans import check_fit, load_plan

PLAN = """\
plan: a level within little
decision: {rule}
steps:
  - tone_placement:
      channel: 1
      carrier: 1842.5 MHz
      offset: 7.5 MHz
      attenuation: 6 dB
      limits:
        tone_level: {limit}
        image: {{max: -50 dBc}}
"""
GUARD = "{rule: guard_band, r: 1}"


@pytest.fixture
def problems(tmp_path: Path):
    def check(rule: str, limit: str):
        path = tmp_path / "plan.yaml"
        path.write_text(PLAN.format(rule=rule, limit=limit), encoding="utf-8")
        lab = Lab(None)
        return check_fit(load_plan(path, lab), load_bench("simulated_pier", lab))

    return check


# The bench file of the simulated pier states +-0.2 dB for the coupler alone: 2 U is far more than 0.1 dB.
@pytest.mark.parametrize("rule", [GUARD, "{rule: false_acceptance, probability: 1 %}"])
def test_a_zone_narrower_than_two_guard_bands_is_told_at_its_limit(problems, rule):
    (problem,) = problems(rule, "{min: 11.95 dBm, max: 12.05 dBm}")
    assert problem.line == 10
    assert "wider than the tolerance zone:" in problem.message
    assert "at either side of min 11.95 dBm, max 12.05 dBm leaves no value" in problem.message
    assert "analyser and path alone" in problem.message


@pytest.mark.parametrize(
    ("rule", "limit"),
    [
        (GUARD, "{nominal: 12 dBm, within: 2 dB}"),
        (GUARD, "{max: 12.05 dBm}"),
        ("{rule: guard_band, r: 0}", "{min: 11.95 dBm, max: 12.05 dBm}"),
        ("{rule: simple_acceptance}", "{min: 11.95 dBm, max: 12.05 dBm}"),
    ],
)
def test_a_zone_that_leaves_room_is_not_told(problems, rule, limit):
    assert problems(rule, limit) == []
