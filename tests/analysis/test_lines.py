"""Levels of lines, read with the shape that the tone draws."""

import numpy as np
import pytest

from hilkit.analysis import line_shape, read_line, stray_line_hz
from hilkit.errors import MeasurementError
from hilkit.readings import Bound
from tests.analysis.synthetic import four_poles, gaussian, make_trace

PRODUCT_HZ = 1.8275e9


def tone_shape(shape=gaussian, rng=None):
    return line_shape(make_trace(lines=[(1.85e9 + 300.0, -20.0)], floor_dbm=-100.0, shape=shape, rng=rng))


def product(snr_db, rng, *, samples=150, shape=gaussian):
    # The grid of the product lies otherwise against its line than that of the tone.
    centre_hz = PRODUCT_HZ + rng.uniform(-1e3, 1e3)
    return make_trace(
        lines=[(PRODUCT_HZ, -100.0 + snr_db)],
        floor_dbm=-100.0,
        centre_hz=centre_hz,
        samples=samples,
        rng=rng,
        shape=shape,
    )


@pytest.mark.parametrize("shape", [gaussian, four_poles])
@pytest.mark.parametrize(
    ("snr_db", "tolerance_db"), [(10.6, 0.7), (15.0, 0.4), (20.0, 0.2), (30.0, 0.1), (60.0, 0.05)]
)
def test_150_samples_a_point_keep_the_tolerances_asked_for(shape, snr_db, tolerance_db):
    rng = np.random.default_rng(int(snr_db))
    drawn = tone_shape(shape, rng)
    readings = [read_line(product(snr_db, rng, shape=shape), drawn, at_hz=PRODUCT_HZ) for _ in range(300)]
    exact = [reading for reading in readings if reading.bound is Bound.EXACT]
    errors = np.array([reading.level_dbm for reading in exact]) - (-100.0 + snr_db)
    assert len(exact) == len(readings)
    assert np.max(np.abs(errors)) < tolerance_db
    assert abs(np.mean(errors)) < 0.02


@pytest.mark.parametrize("samples", [8, 150])
@pytest.mark.parametrize("snr_db", [15.0, 25.0])
def test_the_stated_scatter_is_the_observed_one(samples, snr_db):
    rng = np.random.default_rng(9)
    drawn = tone_shape(rng=rng)
    readings = [read_line(product(snr_db, rng, samples=samples), drawn, at_hz=PRODUCT_HZ) for _ in range(300)]
    observed = np.std([reading.level_dbm for reading in readings])
    assert observed == pytest.approx(np.mean([reading.sd_db for reading in readings]), rel=0.2)


def test_the_highest_point_would_lose_what_the_fit_does_not():
    # 3.01 (spacing/RBW)^2 dB at most for a Gaussian: own derivation from its shape.
    trace = make_trace(
        lines=[(PRODUCT_HZ + 2.5e3, -40.0)], floor_dbm=-120.0, centre_hz=PRODUCT_HZ, spacing_hz=5e3, points=41
    )
    drawn = line_shape(make_trace(lines=[(1.85e9, -20.0)], floor_dbm=-120.0, spacing_hz=5e3, points=41))
    assert trace.level_dbm.max() + 40.0 == pytest.approx(-3.01 * 0.5**2, abs=0.02)
    assert read_line(trace, drawn, at_hz=PRODUCT_HZ + 2.5e3).level_dbm == pytest.approx(-40.0, abs=0.01)


def test_an_assumed_gaussian_would_be_wrong_where_the_drawn_shape_is_right():
    rng = np.random.default_rng(2)
    trace = product(40.0, rng, shape=four_poles)
    right = read_line(trace, tone_shape(four_poles), at_hz=PRODUCT_HZ).level_dbm
    wrong = read_line(trace, tone_shape(gaussian), at_hz=PRODUCT_HZ).level_dbm
    assert abs(right + 60.0) < 0.03 < abs(wrong + 60.0)


@pytest.mark.parametrize("samples", [20, 150])
@pytest.mark.parametrize("snr_db", [-10.0, 0.0, 5.0, 9.0])
def test_near_the_floor_the_answer_is_a_bound_that_holds_as_often_as_it_says(samples, snr_db):
    rng = np.random.default_rng(11)
    drawn = tone_shape(rng=rng)
    readings = [read_line(product(snr_db, rng, samples=samples), drawn, at_hz=PRODUCT_HZ) for _ in range(400)]
    near = [reading for reading in readings if reading.bound is Bound.UPPER]
    held = np.mean([reading.level_dbm >= -100.0 + snr_db for reading in near])
    assert len(near) > 350
    assert all(reading.confidence == 0.95 for reading in near)
    # 95 % less three standard deviations of a share of 400.
    assert held > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 400)


def test_the_floor_at_the_line_is_its_noise_power():
    reading = read_line(product(30.0, np.random.default_rng(4)), tone_shape(), at_hz=PRODUCT_HZ)
    assert reading.floor_dbm == pytest.approx(-100.0, abs=0.3)
    assert reading.above_floor_db == pytest.approx(30.0, abs=0.3)


def test_a_line_that_is_not_there_is_bounded_near_the_floor():
    reading = read_line(make_trace(floor_dbm=-100.0, samples=150), tone_shape(), at_hz=1.85e9)
    assert reading.bound is Bound.UPPER
    assert -120 < reading.level_dbm < -105


def test_a_tone_near_the_noise_cannot_draw_the_filter():
    with pytest.raises(MeasurementError, match="20 dB are needed"):
        line_shape(make_trace(lines=[(1.85e9, -85.0)], floor_dbm=-100.0))


def test_another_filter_than_the_drawn_one_is_refused():
    with pytest.raises(ValueError, match="RBW"):
        read_line(make_trace(rbw_hz=30e3, spacing_hz=6e3), tone_shape(), at_hz=1.85e9)


def test_a_line_near_the_end_of_the_trace_is_refused():
    with pytest.raises(MeasurementError, match="does not reach"):
        read_line(make_trace(), tone_shape(), at_hz=1.85e9 + 45e3)


def overview(lines):
    return make_trace(lines=lines, floor_dbm=-95.0, points=2001, spacing_hz=30e3, rbw_hz=100e3, samples=20)


def test_a_line_that_nobody_expects_is_found():
    trace = overview([(1.85e9, -20.0), (1.8612e9, -80.0)])
    found = stray_line_hz(trace, known_hz=[1.85e9], guard_hz=1e6)
    assert found == pytest.approx(1.8612e9, abs=60e3)


def test_noise_and_known_lines_are_no_strays():
    trace = overview([(1.85e9, -20.0), (1.8612e9, -80.0)])
    assert stray_line_hz(trace, known_hz=[1.85e9, 1.8612e9], guard_hz=1e6) is None


def test_a_skirt_is_not_a_line():
    trace = overview([])
    skirt = 10 * np.log10(1 + 1e3 / (1 + ((trace.frequency_hz - 1.85e9) / 3e6) ** 2))
    raised = make_trace(
        points=2001, spacing_hz=30e3, rbw_hz=100e3, samples=20, level_dbm=trace.level_dbm + skirt
    )
    assert stray_line_hz(raised, known_hz=[1.85e9], guard_hz=1e6) is None
