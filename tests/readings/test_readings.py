"""Readings have an identity, and nothing that is not a number becomes one."""

import math

import numpy as np
import pytest

from hilkit.errors import ReplyError
from hilkit.readings import Reading, ReadingKey, ReadingSpec, Trace


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_value_that_is_not_finite_is_an_instrument_error(value):
    with pytest.raises(ReplyError, match="not a number that can be judged"):
        Reading(key=ReadingKey(step="sweep", name="level"), value=value, unit="dBm")


def test_the_key_reads_as_one_line():
    key = ReadingKey(step="power_sweep", vary=(("channel", "1"),), name="step_error", phase="", index=12.5)
    assert str(key) == "power_sweep.step_error[12.5] (channel=1)"


def test_a_final_phase_must_be_one_of_the_phases():
    with pytest.raises(ValueError, match="final phase"):
        ReadingSpec(name="image", unit="dBc", meaning="m", phases=("before",), final_phase="after")


def make_trace(**changes):
    fields = {
        "frequency_hz": np.linspace(1e9, 1.001e9, 1001),
        "level_dbm": np.full(1001, -90.0),
        "rbw_hz": 100e3,
        "noise_bandwidth_hz": 106.45e3,
        "detector": "rms",
        "average_type": "power",
        "averages": 1,
        "sweep_time_s": 0.05,
        "attenuation_db": 10.0,
        "reference_level_dbm": 0.0,
    }
    return Trace(**{**fields, **changes})


def test_independent_samples_follow_the_length_of_the_dwell():
    # 1.505 B T for a Gaussian filter: 1.505 x 100 kHz x 50 ms / 1001 = 7.5 (own derivation, no source; the
    # autocorrelation of the power of Gaussian-filtered noise is exp(-(pi B t)^2 / (2 ln 2)), its integral
    # 0.6645 / B).
    lag = np.linspace(-50e-6, 50e-6, 200_001)
    correlation = np.exp(-((np.pi * 100e3 * lag) ** 2) / (2 * np.log(2)))
    correlation_time = np.trapezoid(correlation, lag)
    assert make_trace().samples_per_point == pytest.approx(50e-3 / 1001 / correlation_time, rel=2e-3)
    assert make_trace(averages=20).samples_per_point == pytest.approx(20 * make_trace().samples_per_point)


def test_one_sweep_gives_at_least_one_sample_a_point():
    assert make_trace(sweep_time_s=1e-6).samples_per_point == 1.0


def test_a_detector_that_keeps_one_sample_a_point_counts_its_sweeps():
    # Common practice, no source: the sample detector shows one value of each interval, however long that is.
    assert make_trace(detector="sample", averages=400, sweep_time_s=0.4).samples_per_point == 400.0
