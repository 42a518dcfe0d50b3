"""Powers, sums, and the power in a band."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilkit.analysis import band_power, dbm_to_w, density_dbm_hz, power_sum_dbm, w_to_dbm
from hilkit.errors import MeasurementError
from tests.analysis.synthetic import make_trace


@pytest.mark.parametrize(
    ("dbm", "watt"), [(0, 1e-3), (30, 1.0), (43, 19.953), (46, 39.811), (-174, 3.981e-21)]
)
def test_dbm_and_watt(dbm, watt):
    # By definition: 0 dBm is 1 mW.
    assert dbm_to_w(dbm) == pytest.approx(watt, rel=1e-4)


@given(st.floats(-180, 60))
def test_dbm_comes_back_from_watts(dbm):
    assert w_to_dbm(dbm_to_w(dbm)) == pytest.approx(dbm, abs=1e-9)


@pytest.mark.parametrize(("other", "total"), [(0, 3.0103), (-3, 1.7643), (-10, 0.4139), (-20, 0.0432)])
def test_powers_add_in_watts(other, total):
    # By definition of the decibel.
    assert power_sum_dbm([0.0, other]) == pytest.approx(total, abs=5e-5)


def test_a_power_of_zero_has_no_level():
    with pytest.raises(ValueError, match="no level"):
        w_to_dbm(0.0)


@pytest.mark.parametrize(
    ("level", "bandwidth", "density"), [(20, 100e6, -60.0), (46, 20e6, -27.010), (-50, 3.84e6, -115.843)]
)
def test_a_density_is_the_level_less_ten_log_of_the_bandwidth(level, bandwidth, density):
    assert density_dbm_hz(level, bandwidth) == pytest.approx(density, abs=5e-4)


def flat(level_dbm, **changes):
    return make_trace(points=401, spacing_hz=5e3, rbw_hz=10e3, floor_dbm=level_dbm, samples=500, **changes)


def test_flat_noise_has_the_power_of_its_density():
    trace = flat(-80.0)
    density = -80.0 - 10 * np.log10(trace.noise_bandwidth_hz)
    found = band_power(trace, low_hz=1.8495e9, high_hz=1.8505e9)
    assert found.level_dbm == pytest.approx(density + 60.0, abs=5 * found.sd_db)
    assert found.density_dbm_hz == pytest.approx(density, abs=5 * found.sd_db)
    assert 0 < found.sd_db < 0.03


def test_the_rbw_in_place_of_its_noise_bandwidth_would_be_0_27_db_off():
    # sqrt(pi/(4 ln 2)) = 1.0645, 0.2713 dB: exact for a Gaussian filter.
    trace = flat(-80.0)
    naive = flat(-80.0, noise_bandwidth_hz=10e3)
    band = {"low_hz": 1.8495e9, "high_hz": 1.8505e9}
    assert band_power(naive, **band).level_dbm - band_power(trace, **band).level_dbm == pytest.approx(
        0.2713, abs=1e-4
    )


def test_points_at_the_edge_count_with_the_part_inside_the_band():
    trace = flat(-80.0)
    whole = band_power(trace, low_hz=1.8495e9, high_hz=1.8505e9).level_dbm
    less = band_power(trace, low_hz=1.8495e9 + 2.5e3, high_hz=1.8505e9 - 2.5e3).level_dbm
    assert whole - less == pytest.approx(10 * np.log10(1e6 / 0.995e6), abs=0.003)


def test_path_loss_is_applied_point_by_point():
    trace = flat(-80.0)
    slope = (trace.frequency_hz - trace.frequency_hz[0]) / 1e6
    band = {"low_hz": 1.8495e9, "high_hz": 1.8505e9}
    tilted = band_power(trace, **band, correction_db=slope).level_dbm
    assert tilted - band_power(trace, **band).level_dbm == pytest.approx(1.0 + 0.0096, abs=0.01)


def test_a_floor_of_the_same_settings_is_subtracted_as_power():
    signal, floor = flat(-80.0), flat(-83.0)
    band = {"low_hz": 1.8495e9, "high_hz": 1.8505e9}
    less = band_power(signal, **band, floor=floor).level_dbm - band_power(signal, **band).level_dbm
    assert less == pytest.approx(10 * np.log10(1 - 10 ** (-0.3)), abs=0.05)


def test_nothing_above_the_floor_is_an_error_not_a_number():
    with pytest.raises(MeasurementError, match="no power above the floor"):
        band_power(flat(-90.0), low_hz=1.8495e9, high_hz=1.8505e9, floor=flat(-80.0))


def test_a_band_that_leaves_the_trace_is_refused():
    with pytest.raises(MeasurementError, match="not inside the trace"):
        band_power(flat(-80.0), low_hz=1.84e9, high_hz=1.8505e9)


def test_points_with_gaps_between_them_are_refused():
    trace = make_trace(points=101, spacing_hz=20e3, rbw_hz=10e3)
    with pytest.raises(MeasurementError, match="leave gaps"):
        band_power(trace, low_hz=1.8495e9, high_hz=1.8505e9)


def test_a_floor_of_other_settings_is_refused():
    with pytest.raises(ValueError, match="settings of the trace"):
        band_power(flat(-80.0), low_hz=1.8495e9, high_hz=1.8505e9, floor=make_trace())
