"""What is left in the level of a line when nothing is wrong but the method, or the analyser's mixer.

No source outside: a Gaussian filter and the statistics of noise behind it are computed here, from the
formulas of the filter's -3 dB width and of a mean of squared Gaussian samples; the mixer's change of a level
is the third order of a power series at its intercept.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from hilkit.analysis import line_shape, read_line
from hilkit.readings import Trace
from tests.external.ideal import ideal_bench, measure
from tests.procedures.rig import TONE, by_key, rig

RBW_HZ = 30e3
POINTS = 51
LARGEST_BIAS_DB = 0.001
BRING_UP = {"channel": 1, "carrier": TONE["carrier"], "reference": "external"}


def swept(
    rng: np.random.Generator, line_dbm: float, floor_dbm: float, *, off_hz: float, samples: float
) -> Trace:
    """One sweep over a steady line ``off_hz`` beside the middle: |line + noise|^2, mean of the samples."""
    offset_hz = np.linspace(-5 * RBW_HZ, 5 * RBW_HZ, POINTS)
    line_mw = 10 ** (line_dbm / 10) * 2.0 ** (-4 * ((offset_hz - off_hz) / RBW_HZ) ** 2)
    floor_mw = 10 ** (floor_dbm / 10)
    # K times a mean of K squared magnitudes over half the noise power is noncentral chi-squared.
    read = (
        rng.noncentral_chisquare(2 * samples, 2 * samples * line_mw / floor_mw, POINTS)
        * floor_mw
        / (2 * samples)
    )
    return Trace(
        frequency_hz=1850e6 + offset_hz,
        level_dbm=10 * np.log10(read),
        rbw_hz=RBW_HZ,
        noise_bandwidth_hz=1.0645 * RBW_HZ,
        detector="rms",
        average_type="power",
        averages=1,
        sweep_time_s=samples * POINTS / (1.505 * RBW_HZ),
        attenuation_db=10.0,
        reference_level_dbm=0.0,
    )


@pytest.mark.parametrize("above_floor_db", [25.0, 35.0, 50.0])
@pytest.mark.parametrize("ratio_dbc", [0.0, -20.0, -40.0])
def test_a_line_is_read_without_bias_wherever_its_top_falls_between_the_points(ratio_dbc, above_floor_db):
    rng, runs = np.random.default_rng(20261125), 200
    errors_db = []
    for _ in range(runs):
        off_hz = rng.uniform(-0.5, 0.5) * 10 * RBW_HZ / (POINTS - 1)
        floor_dbm = ratio_dbc - above_floor_db
        shape = line_shape(swept(rng, 0.0, floor_dbm, off_hz=off_hz, samples=2000))
        trace = swept(rng, ratio_dbc, floor_dbm, off_hz=off_hz, samples=2000)
        at_hz = shape.centre_hz
        errors_db.append(read_line(trace, shape, at_hz=at_hz).level_dbm - ratio_dbc)
    by_chance_db = 4 * np.std(errors_db) / math.sqrt(runs)
    assert by_chance_db < 0.004
    assert abs(np.mean(errors_db)) < LARGEST_BIAS_DB + by_chance_db


def levels(tmp_path, **analyser: str) -> dict[str, object]:
    modulator = {"gain": "0.2 dB", "offset_i": 0.005}
    quiet = {"noise_density": "-190 dBm/Hz", **analyser}
    with ideal_bench(tmp_path, modulator=modulator, analyser=quiet) as bench:
        measure(bench, "bring_up", **BRING_UP)
        found = measure(bench, "tone_placement", **TONE, corrections=False)
    return {reading.name: reading for reading in found}


@pytest.mark.parametrize("phase_deg", [180, 90, 0])
def test_the_mixer_changes_a_line_by_what_its_budget_says_and_one_beside_it_twice_as_much(
    tmp_path, phase_deg
):
    bare = levels(tmp_path)
    bent = levels(tmp_path, intercept="15 dBm", intercept_phase=f"{phase_deg} deg")
    tone, image, leakage = ("tone_level", "image", "lo_leakage")
    (line,) = [each for each in bent[tone].budget.lines if each.quantity == "compression in the analyser"]
    trace = bent[tone].trace
    at_mixer_dbm = float(trace.level_dbm.max()) - trace.attenuation_db
    most_db = 20 / math.log(10) * 10 ** ((at_mixer_dbm - 15) / 10)
    assert line.half_width == pytest.approx(most_db, rel=0.03)
    assert line.half_width > 0.002
    expected_db = most_db * math.cos(math.radians(phase_deg))
    for name in (tone, image, leakage):
        (line,) = [each for each in bent[name].budget.lines if each.quantity == "compression in the analyser"]
        assert line.sensitivity == pytest.approx(1.0)
        change_db = bent[name].value - bare[name].value
        assert change_db == pytest.approx(expected_db, abs=0.0005)


def test_an_analyser_without_an_intercept_gets_no_line_of_compression(tmp_path):
    with rig(tmp_path, ("      third_order_intercept: 15 dBm\n", "")) as pier:
        pier.bring_up()
        tone = by_key(pier.run("tone_placement", **TONE, corrections=False))["tone_level", "uncorrected"]
    assert "compression in the analyser" not in {line.quantity for line in tone.budget.lines}
