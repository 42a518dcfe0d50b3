"""Each check of the recovery of random benches can fail: readings and truths are moved, and it is reported.

One bench, in process, so that its noise is the same in every run.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from hilkit.quantities import Angle, Ratio
from hilkit.readings import Bound
from tests.external.recovery_bench import draw_job, other_channel
from tests.external.recovery_checks import complaints
from tests.external.recovery_run import Findings, Seen, run_job


@pytest.fixture(scope="module")
def one() -> Findings:
    return run_job(draw_job(20, 2), over_sockets=False)


def truth_moved(findings: Findings, key: str, multiple: int, db: float) -> Findings:
    """Return the findings with one line of the truth behind one reading higher by ``db``."""
    return changed(findings, key, lambda seen: replace(seen, truth=seen.truth.shifted(multiple, db)))


def changed(findings: Findings, key: str, change) -> Findings:
    assert any(seen.key == key for seen in findings.seen), key
    return replace(findings, seen=[change(s) if s.key == key else s for s in findings.seen])


def reading_moved(findings: Findings, key: str, by: float, **also) -> Findings:
    def change(seen: Seen) -> Seen:
        measured = replace(seen.measured, value=seen.measured.value + by, **also)
        return replace(seen, measured=measured)

    return changed(findings, key, change)


def test_as_it_is_the_bench_gives_no_complaint(one):
    assert complaints(one) == set()


@pytest.mark.parametrize("db", [1.0, -1.0])
@pytest.mark.parametrize(
    ("reading", "multiple"),
    [
        ("tone_placement.image.uncorrected", -1),
        ("tone_placement.image.corrected", -1),
        ("tone_placement.lo_leakage.uncorrected", 0),
        ("tone_placement.lo_leakage.corrected", 0),
        ("tone_placement.third_harmonic.corrected", -3),
        ("tone_placement.tone_level.corrected", 1),
        ("retune.image.corrected", -1),
        ("retune.lo_leakage.corrected", 0),
    ],
)
def test_a_line_that_is_1_db_off_is_reported(one, reading, multiple, db):
    assert complaints(truth_moved(one, reading, multiple, db)) == {reading}


@pytest.mark.parametrize("db", [0.1, -0.1])
def test_an_attenuator_code_that_is_0_1_db_off_is_reported(one, db):
    found = complaints(truth_moved(one, "power_sweep.level[10.5]", 1, db))
    steps = {"power_sweep.step_error[10.5]", "power_sweep.step_error[11]"}
    assert steps | {"power_sweep.cumulative_error[10.5]"} <= found


@pytest.mark.parametrize(
    ("reading", "multiple"),
    [("tone_placement.second_harmonic.corrected", 2), ("tone_placement.plus_three.corrected", 3)],
)
def test_a_line_above_its_bound_is_reported(one, reading, multiple):
    bound = next(seen for seen in one.seen if seen.key == reading)
    assert bound.measured.bound is Bound.UPPER
    truth = bound.truth.lines_dbm
    up_db = bound.measured.value + truth[1] - truth[multiple] + 8.0
    assert reading in complaints(truth_moved(one, reading, multiple, up_db))


def test_a_bound_that_says_nothing_is_reported(one):
    reading = "tone_placement.plus_three.corrected"
    assert complaints(reading_moved(one, reading, 20.0)) == {reading}


def test_a_bound_where_a_value_was_owed_is_reported(one):
    reading = "tone_placement.image.corrected"
    assert complaints(reading_moved(one, reading, 0.5, bound=Bound.UPPER)) == {reading}


@pytest.mark.parametrize(
    ("reading", "by"),
    [
        ("tone_placement.tone_level.uncorrected", 0.15),
        ("tone_placement.tone_frequency_error.corrected", 10.0),
        ("tone_placement.spurious_free_range.corrected", 0.5),
        ("tone_placement.corrections_time", -0.4),
        ("power_sweep.level[20]", 0.15),
        ("power_sweep.step_error[20]", -0.05),
        ("power_sweep.cumulative_error[31.5]", 0.05),
        ("power_sweep.monotonicity", -0.05),
        ("power_sweep.range_covered", 0.05),
        ("power_sweep.return_drift", 0.05),
        ("retune.carrier_error", -10.0),
        ("retune.level_change", 0.15),
        ("retune.lock_time", 0.07),
        ("retune.calibration_time", -0.07),
        ("retune.ready_after", 0.15),
        ("retune.corrections_time", 0.15),
        ("bring_up.reference_lock_time", -0.12),
    ],
)
def test_a_reading_that_is_off_is_reported(one, reading, by):
    assert complaints(reading_moved(one, reading, by)) == {reading}


def test_a_reset_and_a_line_at_the_old_frequency_are_reported(one):
    assert complaints(reading_moved(one, "retune.resets", 1.0)) == {"retune.no reset"}
    loud = reading_moved(one, "retune.old_frequency_level", 0.0, bound=Bound.EXACT)
    assert complaints(loud) == {"retune.old_frequency_level is a bound"}


def crossed(readings: Findings, truths: Findings) -> Findings:
    """Return the readings of one bench beside the truth of another."""
    truth = {seen.key: seen.truth for seen in truths.seen}
    kept = [seen for seen in readings.seen if seen.key in truth]
    return replace(readings, seen=[replace(seen, truth=truth[seen.key]) for seen in kept])


def test_readings_of_a_bench_with_another_image_are_reported(one):
    job = one.job
    state = job.radio_channel.modulator.corrected
    # Gain and phase 12 % larger: an image higher by about 1 dB.
    gain, phase = Ratio(1.12 * state.gain.db), Angle(1.12 * state.phase.deg)
    skewed = state.model_copy(update={"gain": gain, "phase": phase})
    modulator = job.radio_channel.modulator.model_copy(update={"corrected": skewed})
    other = run_job(other_channel(job, modulator=modulator), over_sockets=False)
    assert complaints(other) == set()
    found = complaints(crossed(one, other))
    assert {"tone_placement.image.corrected", "retune.image.corrected"} <= found
    assert not any("uncorrected" in key or "power_sweep" in key for key in found)


def test_readings_of_a_bench_with_another_code_are_reported(one):
    job = one.job
    attenuator = job.radio_channel.attenuator
    at = {seen.measured.index: seen.truth.lines_dbm[1] for seen in one.series("power_sweep", "level")}
    # What the code lacks now, compression left out, and 0.1 dB more.
    error = Ratio(round(at[0.0] - at[10.5] - 10.5, 3) + 0.1)
    attenuator = attenuator.model_copy(update={"errors": {Ratio(10.5): error}})
    other = run_job(other_channel(job, attenuator=attenuator), over_sockets=False)
    assert complaints(other) == set()
    found = complaints(crossed(one, other))
    assert "power_sweep.step_error[10.5]" in found and "power_sweep.step_error[11]" in found
    assert not any("image" in key for key in found)
