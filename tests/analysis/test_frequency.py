"""The frequency of a line from a narrow trace."""

import numpy as np
import pytest

from hilkit.analysis import line_centre
from hilkit.errors import MeasurementError
from tests.analysis.synthetic import four_poles, gaussian, make_trace


@pytest.mark.parametrize("shape", [gaussian, four_poles])
@pytest.mark.parametrize("off_hz", [0.0, 311.0, -777.0, 1000.0])
def test_a_clean_line_is_found_wherever_it_lies_between_the_points(shape, off_hz):
    trace = make_trace(lines=[(1.85e9 + off_hz, -20.0)], floor_dbm=-160.0, shape=shape)
    found = line_centre(trace)
    assert found.frequency_hz == pytest.approx(1.85e9 + off_hz, abs=1e-3 * trace.rbw_hz)
    assert found.level_dbm == pytest.approx(-20.0, abs=0.01)


def test_at_60_db_the_frequency_is_good_to_half_a_percent_of_the_filter():
    # The accuracy asked for of a tone in its narrow span: 0.005 RBW at 60 dB.
    rng = np.random.default_rng(5)
    errors, sds = [], []
    for _ in range(300):
        true_hz = 1.85e9 + rng.uniform(-1e3, 1e3)
        trace = make_trace(
            lines=[(true_hz, -40.0)], floor_dbm=-100.0, samples=1, rng=rng, points=41, spacing_hz=1e3
        )
        found = line_centre(trace)
        errors.append((found.frequency_hz - true_hz) / trace.rbw_hz)
        sds.append(found.sd_hz / trace.rbw_hz)
    assert np.max(np.abs(errors)) < 0.005
    assert np.std(errors) < 1.2 * np.mean(sds)


def test_the_stated_scatter_is_the_observed_one():
    rng = np.random.default_rng(6)
    runs = [
        line_centre(make_trace(lines=[(1.85e9, -60.0)], floor_dbm=-100.0, samples=8, rng=rng))
        for _ in range(300)
    ]
    observed = np.std([run.frequency_hz for run in runs])
    assert observed == pytest.approx(np.mean([run.sd_hz for run in runs]), rel=0.35)


def test_points_half_a_filter_apart_are_just_fine_enough():
    trace = make_trace(lines=[(1.85e9 + 1.2e3, -20.0)], floor_dbm=-140.0, spacing_hz=5e3)
    assert line_centre(trace).frequency_hz == pytest.approx(1.85e9 + 1.2e3, abs=20.0)


def test_points_further_apart_are_refused():
    trace = make_trace(lines=[(1.85e9, -20.0)], spacing_hz=6e3)
    with pytest.raises(MeasurementError, match="too coarse"):
        line_centre(trace)


def test_a_line_at_the_end_of_the_trace_is_refused():
    trace = make_trace(lines=[(1.85e9 + 50e3, -20.0)])
    with pytest.raises(MeasurementError, match="no whole line"):
        line_centre(trace)


def test_the_search_can_be_limited_to_the_surroundings_of_a_frequency():
    lines = [(1.85e9 - 200e3, -60.0), (1.85e9 + 200e3, -20.0)]
    trace = make_trace(lines=lines, points=501)
    assert line_centre(trace, near_hz=1.8498e9, within_hz=30e3).frequency_hz == pytest.approx(
        1.8498e9, abs=50
    )


def test_a_place_outside_the_trace_cannot_be_searched():
    with pytest.raises(ValueError, match="outside the trace"):
        line_centre(make_trace(), near_hz=2e9)
