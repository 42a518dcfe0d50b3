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
    assert "what the bench file and the settings state alone" in problem.message


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


STEPS = {
    "tone_placement": "channel: 1, carrier: 1842.5 MHz, offset: 7.5 MHz, attenuation: 6 dB, poll: 0.25 s",
    "power_sweep": "channel: 1, carrier: 1842.5 MHz, offset: 7.5 MHz, from: 0 dB, to: 30 dB, step: 10 dB",
    "channel_power": "channel: 1, carrier: 1842.5 MHz, bandwidth: 20 MHz, waveform: nr20, attenuation: 6 dB",
    "retune": "channel: 1, carrier: 1842.5 MHz, to: 2350 MHz, offset: 7.5 MHz, attenuation: 6 dB",
    "bring_up": "channel: 1, carrier: 1842.5 MHz, reference: external, poll: 0.25 s",
}
ONE = """\
plan: one limit
decision: {{rule: guard_band, r: 1}}
steps:
  - {step}: {{{settings}, limits: {{
      {name}: {limit}
    }}}}
"""


# What the bench file of the simulated pier states, and half a zone just under the 95 % half-width of it; the
# figures of a rectangle by EA-4/02, S9: k = 1.65, so 0.95 of its limit.
@pytest.mark.parametrize(
    ("step", "name", "narrow", "room"),
    [
        # 0.01 ppm of 1.85 GHz, rectangular: +-18.5 Hz.
        ("tone_placement", "tone_frequency_error", "17 Hz", "18 Hz"),
        ("retune", "carrier_error", "22 Hz", "23 Hz"),
        # One look of 0.25 s, rectangular.
        ("tone_placement", "corrections_time", "0.23 s", "0.24 s"),
        ("tone_placement", "image_settled_after", "0.23 s", "0.24 s"),
        ("bring_up", "calibration_time", "0.23 s", "0.24 s"),
        ("bring_up", "reference_lock_time", "0.23 s", "0.24 s"),
        # 0.01 dB of scale over a step of 10 dB; over the range of 30 dB three times that.
        ("power_sweep", "step_error", "0.009 dB", "0.01 dB"),
        ("power_sweep", "monotonicity", "0.009 dB", "0.01 dB"),
        ("power_sweep", "cumulative_error", "0.028 dB", "0.03 dB"),
        ("power_sweep", "range_covered", "0.028 dB", "0.03 dB"),
        # Path, analyser and mismatch: some tenths of a dB.
        ("power_sweep", "level", "0.2 dB", "1 dB"),
        ("tone_placement", "tone_level", "0.2 dB", "1 dB"),
        ("channel_power", "channel_power", "0.2 dB", "1 dB"),
        # Two bands: nothing of the path cancels.
        ("retune", "level_change", "0.2 dB", "1 dB"),
    ],
)
def test_a_zone_in_any_unit_is_told_where_bench_file_and_settings_fill_it(
    tmp_path: Path, step: str, name: str, narrow: str, room: str
) -> None:
    def found(limit: str) -> list[tuple[int, str]]:
        path = tmp_path / "plan.yaml"
        text = ONE.format(step=step, settings=STEPS[step], name=name, limit=limit)
        path.write_text(text, encoding="utf-8")
        lab = Lab(None)
        problems = check_fit(load_plan(path, lab), load_bench("simulated_pier", lab))
        return [(problem.line, problem.message) for problem in problems]

    nominal = "nominal: 12 dBm, " if "level" in name and name != "level_change" else ""
    nominal = "nominal: 12 dBm, " if name == "channel_power" else nominal
    nominal = "nominal: 1 s, " if narrow.endswith(" s") else nominal
    ((line, message),) = found(f"{{{nominal}within: {narrow}}}")
    assert line == 5
    assert "wider than the tolerance zone" in message
    assert found(f"{{{nominal}within: {room}}}") == []


@pytest.mark.parametrize(
    ("step", "name", "zone", "count"),
    [
        # Two readings, each with a repeatability of +-0.02 dB, and the scale over the distance.
        ("tone_placement", "image", "{min: -50.02 dBc, max: -50 dBc}", 1),
        ("tone_placement", "image", "{min: -60 dBc, max: -50 dBc}", 0),
        ("tone_placement", "spurious_free_range", "{min: 50 dB, max: 50.02 dB}", 1),
        ("retune", "old_frequency_level", "{min: -50.02 dBc, max: -50 dBc}", 1),
        ("channel_power", "power_density", "{min: -60.1 dBm/Hz, max: -60 dBm/Hz}", 1),
        ("power_sweep", "step_error", "{mask: [{at: 0 dB, min: -1 dB, max: 1 dB}, "
         "{at: 30 dB, min: -0.001 dB, max: 0.001 dB}]}", 1),
        ("power_sweep", "return_drift", "{within: 0.001 dB}", 0),
        ("retune", "image", "{relative_to: {reading: lo_leakage}, nominal: 0 dB, within: 0.001 dB}", 0),
    ],
)  # fmt: skip
def test_ratios_densities_and_masks_are_looked_at_and_what_only_the_run_tells_is_left_to_it(
    tmp_path: Path, step: str, name: str, zone: str, count: int
) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(ONE.format(step=step, settings=STEPS[step], name=name, limit=zone), encoding="utf-8")
    lab = Lab(None)
    assert len(check_fit(load_plan(path, lab), load_bench("simulated_pier", lab))) == count
