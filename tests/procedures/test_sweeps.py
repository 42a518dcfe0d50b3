"""Which sweep is chosen for what is wanted."""

import pytest

from hilkit.instruments import AnalyserLimits
from hilkit.procedures.sweeps import InputRange, input_range, narrow_sweep, nice_rbw_hz, wide_sweep

LIMITS = AnalyserLimits(
    frequency_hz=(9e3, 7e9),
    span_hz=(100.0, 7e9),
    points=(11, 10001),
    rbw_hz=(1.0, 10e6),
    rbw_values_hz=(),
    vbw_hz=(1.0, 10e6),
    vbw_values_hz=(),
    sweep_time_s=(1e-3, 4000.0),
    averages=(1, 1000),
    attenuation_db=(0.0, 70.0),
    attenuation_step_db=2.0,
    reference_level_dbm=(-130.0, 30.0),
    detectors=("rms", "sample", "peak"),
    average_types=("power", "log"),
    preamplifier=True,
)
AT = InputRange(reference_level_dbm=-5.0, attenuation_db=10.0)


def limits(**changes):
    return AnalyserLimits(**{**vars(LIMITS), **changes})


@pytest.mark.parametrize(
    ("expected_dbm", "reference_dbm", "attenuation_db"),
    [(-8.4, -5.0, 12.0), (-20.0, -17.0, 0.0), (-60.0, -57.0, 0.0), (12.0, 15.0, 32.0), (60.0, 30.0, 70.0)],
)
def test_the_range_holds_the_level_with_headroom_and_keeps_the_mixer_low(
    expected_dbm, reference_dbm, attenuation_db
):
    found = input_range(expected_dbm, LIMITS)
    assert (found.reference_level_dbm, found.attenuation_db) == (reference_dbm, attenuation_db)


@pytest.mark.parametrize(
    ("wanted", "found"), [(99e3, 30e3), (100e3, 100e3), (30e3, 30e3), (29.9e3, 10e3), (1e9, 10e6), (0.2, 1.0)]
)
def test_filters_go_in_steps_of_one_and_three(wanted, found):
    assert nice_rbw_hz(wanted, LIMITS) == pytest.approx(found)


def test_an_analyser_with_a_list_of_filters_gets_one_of_them():
    listed = limits(rbw_values_hz=(1e3, 2e3, 5e3, 10e3, 20e3))
    assert nice_rbw_hz(9e3, listed) == 5e3
    assert nice_rbw_hz(100.0, limits(rbw_hz=(1e3, 1e6), rbw_values_hz=(1e3, 1e6))) == 1e3


def test_a_narrow_sweep_has_points_a_fifth_of_the_filter_apart():
    setup = narrow_sweep(1.85e9, rbw_hz=10e3, at=AT, limits=LIMITS)
    assert setup.span_hz / (setup.points - 1) == pytest.approx(2e3)
    assert (setup.detector, setup.average_type, setup.preamplifier) == ("rms", "power", False)
    assert (setup.attenuation_db, setup.reference_level_dbm) == (10.0, -5.0)


def test_a_narrow_sweep_has_more_than_150_samples_behind_each_point():
    setup = narrow_sweep(1.85e9, rbw_hz=10e3, at=AT, limits=LIMITS)
    assert 1.505 * setup.rbw_hz * setup.sweep_time_s / setup.points * setup.averages > 150


def test_an_analyser_that_needs_more_points_gets_them():
    assert narrow_sweep(1.85e9, rbw_hz=10e3, at=AT, limits=limits(points=(101, 5001))).points == 101


def test_a_sweep_time_beyond_the_longest_becomes_averages():
    short = limits(sweep_time_s=(1e-3, 0.1))
    setup = narrow_sweep(1.85e9, rbw_hz=10e3, at=AT, limits=short)
    whole = narrow_sweep(1.85e9, rbw_hz=10e3, at=AT, limits=LIMITS)
    assert setup.sweep_time_s == 0.1
    assert setup.averages * setup.sweep_time_s >= whole.sweep_time_s


def test_no_sweep_is_faster_than_20_times_span_over_rbw_squared():
    setup = narrow_sweep(1.85e9, rbw_hz=10e3, at=AT, limits=LIMITS, samples=1.0)
    assert setup.sweep_time_s >= 20 * setup.span_hz / setup.rbw_hz**2


def test_a_wide_sweep_has_points_half_a_filter_apart():
    setup = wide_sweep(1.81e9, 1.87e9, rbw_hz=100e3, at=AT, limits=LIMITS, samples=10.0)
    assert setup.span_hz / (setup.points - 1) <= setup.rbw_hz / 2
    assert (setup.centre_hz, setup.span_hz) == (1.84e9, 60e6)


def test_a_wide_sweep_takes_a_wider_filter_where_points_are_few():
    setup = wide_sweep(1.81e9, 1.87e9, rbw_hz=10e3, at=AT, limits=limits(points=(101, 1001)), samples=10.0)
    assert setup.rbw_hz == pytest.approx(300e3)
    assert setup.points <= 1001
