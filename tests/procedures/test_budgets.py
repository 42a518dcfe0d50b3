"""Each reading comes with the budget that its kind calls for, made of the bench file's figures.

Rules of propagation: JCGM 100:2008, 5.1.2 (sensitivities) and F.1.2 (a cause that two readings share).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from hilkit.judgement.uncertainty import combine
from hilkit.procedures import find
from hilkit.procedures.budgets import counted, scatter_line, time_budget
from hilkit.readings import Bound, Budget
from tests.procedures.rig import CARRIER, TONE, by_key, rig

STREAM = {"channel": 1, "carrier": CARRIER, "bandwidth": "20 MHz", "waveform": "nr20", "attenuation": "6 dB"}
SWEEP = {"channel": 1, "carrier": CARRIER, "offset": "7.5 MHz", "from": "0 dB", "to": "20 dB", "step": "2 dB"}
RETUNE = {**TONE, "to": "1862.5 MHz"}
NO_ACCURACY = (
    "      level: {expanded: 0.2 dB, k: 2}\n",
    "      linearity: 0.1 dB\n      linearity_per_10db: 0.01 dB\n",
    "reference_accuracy: 0.01 ppm\n",
)


def names(budget: Budget | None) -> dict[str, float]:
    """Return the absolute contribution of each quantity, those of equal name added in squares."""
    assert budget is not None
    squares: dict[str, float] = {}
    for line in budget.lines:
        squares[line.quantity] = squares.get(line.quantity, 0.0) + line.contribution**2
    return {name: math.sqrt(square) for name, square in squares.items()}


@pytest.fixture(scope="module")
def everything(tmp_path_factory):
    """Readings of every procedure on the shipped bench."""
    with rig(tmp_path_factory.mktemp("pier")) as pier:
        start = pier.run("bring_up", channel=1, carrier=CARRIER, reference="external")
        return {
            "bring_up": start,
            "tone_placement": pier.run("tone_placement", **TONE),
            "power_sweep": pier.run("power_sweep", **SWEEP, usable_range="8 dB", pad="12 dB"),
            "channel_power": pier.run("channel_power", **STREAM),
            "retune": pier.run("retune", **RETUNE),
        }


@pytest.mark.parametrize(
    "procedure", ["bring_up", "tone_placement", "power_sweep", "channel_power", "retune"]
)
def test_every_reading_has_a_budget_in_its_own_unit(everything, procedure):
    for reading in everything[procedure]:
        assert reading.budget is not None, reading.name
        assert reading.budget.unit == find(procedure).spec(reading.name).unit, reading.name
        combine(reading.budget)


def test_the_level_of_the_tone_holds_analyser_path_and_mismatch(everything):
    budget = by_key(everything["tone_placement"])["tone_level", "corrected"].budget
    parts = names(budget)
    assert parts["analyser level"] == pytest.approx(0.1)
    assert parts["loss of coupler 1"] == pytest.approx(0.2 / math.sqrt(3))
    assert parts["input attenuator"] == pytest.approx(0.1 / math.sqrt(3))
    assert parts["mismatch measured line - analyser"] > 0.01
    assert 0 < parts["noise"] < 0.01
    assert not budget.missing


def test_what_tone_and_product_share_cancels_between_them_and_the_scale_does_not(everything):
    image = by_key(everything["tone_placement"])["image", "corrected"]
    parts = names(image.budget)
    for shared in (
        "analyser level",
        "loss of coupler 1",
        "input attenuator",
        "resolution filter",
        "flatness",
    ):
        assert parts[shared] == 0.0
    # 0.01 dB for each 10 dB of distance, as a rectangle; levels on the scale go in steps of 0.5 dB.
    assert parts["scale"] == pytest.approx(0.01 * abs(image.value) / 10 / math.sqrt(3), rel=0.02)
    assert parts["noise"] > 0


def test_a_ripple_that_tone_and_product_share_is_one_line_of_what_is_left(everything):
    """Two ripples of one unknown phase differ by a ripple; kept apart they would need trials each time."""
    image = by_key(everything["tone_placement"])["image", "corrected"]
    ripples = [line.quantity for line in image.budget.lines if line.quantity.startswith("mismatch")]
    assert len(ripples) == len(set(ripples)) > 5


def test_readings_within_the_radios_bandwidth_share_the_path_and_others_do_not(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        near = by_key(pier.run("retune", **RETUNE))["level_change", ""].budget
        far = by_key(pier.run("retune", **{**TONE, "to": "2350 MHz"}))["level_change", ""].budget
    assert names(near)["loss of coupler 1"] == 0.0
    assert names(far)["loss of coupler 1"] == pytest.approx(0.2 / math.sqrt(3) * math.sqrt(2))
    assert names(far)["flatness"] == pytest.approx(0.1 / math.sqrt(3) * math.sqrt(2))
    assert names(near)["flatness"] == 0.0
    assert names(far)["analyser level"] == names(near)["analyser level"] == 0.0


def test_flatness_counts_twice_where_nobody_says_over_what_it_stays_the_same(tmp_path):
    with rig(tmp_path, ("      flatness_over: 100 MHz\n", "")) as pier:
        pier.bring_up()
        image = by_key(pier.run("tone_placement", **TONE, corrections=False))["image", "uncorrected"]
    assert names(image.budget)["flatness"] == pytest.approx(0.1 / math.sqrt(3) * math.sqrt(2))


def test_a_bound_holds_its_noise_already(everything):
    bound = by_key(everything["tone_placement"])["plus_three", "corrected"]
    assert bound.bound is Bound.UPPER
    noise = [line for line in bound.budget.lines if line.quantity == "noise"]
    assert noise[0].standard == 0.0
    assert noise[0].source == "counted in the bound itself"


@pytest.mark.parametrize(("reference", "part"), [("external", 0.01e-6), ("internal", 0.5e-6)])
def test_a_frequency_is_as_good_as_the_reference_in_use(tmp_path, reference, part):
    with rig(tmp_path, ("reference: external", f"reference: {reference}")) as pier:
        pier.bring_up()
        found = by_key(pier.run("tone_placement", **TONE, corrections=False))
    budget = found["tone_frequency_error", "uncorrected"].budget
    largest = max(budget.lines, key=lambda line: abs(line.contribution))
    assert largest.contribution == pytest.approx(part * 1850e6 / math.sqrt(3), rel=1e-5)
    # The tone was put into the middle of its span: an error of the axis does next to nothing there.
    assert names(budget)["axis of the span"] < 1.0


def test_a_time_is_known_to_one_look(everything):
    lock = by_key(everything["bring_up"])["reference_lock_time", ""]
    (line,) = lock.budget.lines
    assert (line.half_width, line.unit) == (0.1, "s")
    ready = by_key(everything["retune"])["ready_after", ""]
    assert ready.budget.lines[0].half_width > 0.05
    assert time_budget(0.0, "").lines == ()


def test_a_count_is_exact_and_the_radios_own_figures_are_not_known(everything):
    found = by_key(everything["bring_up"])
    assert found["boots", ""].budget == counted()
    for name in ("temperature", "uptime"):
        assert found[name, ""].budget.missing


def test_the_noise_bandwidth_of_the_filter_is_in_the_power_of_a_channel(everything):
    power = by_key(everything["channel_power"])["channel_power", ""]
    density = by_key(everything["channel_power"])["power_density", ""]
    # 3 % of power are 0.13 dB.
    assert names(power.budget)["noise bandwidth"] == pytest.approx(0.03 * 10 / math.log(10) / math.sqrt(3))
    assert 0 < names(power.budget)["floor subtracted"] < 1e-3
    assert density.budget.lines == power.budget.lines


def test_a_step_holds_scale_compression_and_noise_alone(everything):
    steps = [reading for reading in everything["power_sweep"] if reading.name == "step_error"]
    assert len(steps) == 10
    for step in steps:
        assert set(names(step.budget)) == {"scale", "compression in the analyser", "noise"}
        assert combine(step.budget).expanded < 0.03


def test_a_pad_that_moved_adds_the_noise_of_its_overlaps_to_what_lies_across(everything):
    run = everything["power_sweep"]
    assert "pad moved 2 times" in by_key(run)["monotonicity", ""].note
    noise = {r.index: names(r.budget)["noise"] for r in run if r.name == "level" and r.index <= 8}
    joined = [
        line for r in run if r.name == "level" for line in r.budget.lines if "overlaps" in line.quantity
    ]
    assert len(joined) == 6
    assert min(line.standard for line in joined[:4]) > 1.5 * max(noise.values())
    # Noise of one reading and 2 at an overlap, then of one and 4 at two of them: sqrt(5/3).
    assert joined[4].standard == pytest.approx(math.sqrt(5 / 3) * joined[3].standard, rel=0.15)
    last = [r for r in run if r.name == "step_error"][-1]
    assert names(last.budget)["noise"] < joined[-1].standard


def test_the_pad_itself_is_in_a_level_but_not_in_a_step(everything):
    levels = [reading for reading in everything["power_sweep"] if reading.name == "level"]
    setting = [line for line in levels[-1].budget.lines if line.quantity.startswith("setting of")]
    assert setting[0].contribution == pytest.approx(0.3 / math.sqrt(3))
    assert "at 12 dB" in setting[0].shared
    drift = by_key(everything["power_sweep"])["return_drift", ""]
    assert any(line.quantity.startswith("contacts of") for line in drift.budget.lines)


def test_the_points_of_a_sweep_share_their_lines(everything):
    first, *others = [reading.budget for reading in everything["power_sweep"] if reading.name == "level"]
    for other in others:
        assert sum(a is b for a, b in zip(first.lines, other.lines, strict=True)) >= len(first.lines) - 3


def test_a_part_without_a_figure_is_missed_where_it_counts_and_nowhere_else(tmp_path):
    with rig(tmp_path, *((text, "") for text in NO_ACCURACY)) as pier:
        pier.bring_up()
        found = by_key(pier.run("tone_placement", **TONE, corrections=False))
    assert found["tone_level", "uncorrected"].budget.missing == (
        "no level accuracy in the bench file",
        "no linearity in the bench file",
    )
    assert found["image", "uncorrected"].budget.missing == ("no linearity in the bench file",)
    assert found["tone_frequency_error", "uncorrected"].budget.missing == (
        "no reference_accuracy in the bench file",
    )
    assert combine(found["image", "uncorrected"].budget).missing


@pytest.mark.parametrize(
    ("stated", "contribution"),
    [
        ("linearity: 0.1 dB", 0.1),
        ("linearity: 0.001 dB\n      linearity_per_10db: 0.01 dB", 0.001),
    ],
)
def test_a_limit_of_the_scale_counts_for_both_levels_of_a_ratio(tmp_path, stated, contribution):
    with rig(tmp_path, ("linearity: 0.1 dB\n      linearity_per_10db: 0.01 dB", stated)) as pier:
        pier.bring_up()
        image = by_key(pier.run("tone_placement", **TONE, corrections=False))["image", "uncorrected"]
    assert names(image.budget)["scale"] == pytest.approx(contribution / math.sqrt(3) * math.sqrt(2), rel=0.02)


def test_the_resolution_of_the_numbers_counts_with_half_of_its_step(tmp_path):
    with rig(
        tmp_path, ("      linearity: 0.1 dB\n", "      linearity: 0.1 dB\n      resolution: 0.01 dB\n")
    ) as pier:
        pier.bring_up()
        tone = by_key(pier.run("tone_placement", **TONE, corrections=False))["tone_level", "uncorrected"]
    assert names(tone.budget)["resolution"] == pytest.approx(0.005 / math.sqrt(3))


def test_scatter_is_stated_to_two_digits():
    """JCGM 100, 7.2.6."""
    line = scatter_line("noise", 0.012345, unit="dB", freedom=9, source="")
    assert (line.standard, line.degrees_of_freedom, line.half_width) == (0.012, 9, None)


def test_the_freedom_of_the_noise_is_that_of_all_samples_behind_the_fit(everything):
    tone = by_key(everything["tone_placement"])["tone_level", "corrected"]
    (noise,) = [line for line in tone.budget.lines if line.quantity == "noise"]
    expected = tone.trace.samples_per_point * len(tone.trace.level_dbm)
    assert noise.degrees_of_freedom == pytest.approx(expected, rel=0.01)
    assert np.isfinite(noise.degrees_of_freedom)
