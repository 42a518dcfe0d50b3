"""Traces from first principles, apart from the code under test: complex noise and lines in a filter."""

import math

import numpy as np

from hilkit.readings import Trace


def gaussian(offset_rbw):
    """Power response of a Gaussian filter; half power at half its -3 dB width by definition."""
    return np.exp(-4 * math.log(2) * offset_rbw**2)


def four_poles(offset_rbw):
    """Power response of four synchronously tuned poles, half power at half the -3 dB width."""
    return (1 + (2 * offset_rbw) ** 2 * (2 ** (1 / 4) - 1)) ** -4.0


def make_trace(
    *,
    lines=(),
    floor_dbm=-110.0,
    samples=200,
    centre_hz=1.85e9,
    rbw_hz=10e3,
    points=51,
    spacing_hz=2e3,
    shape=gaussian,
    rng=None,
    average_type="power",
    **changes,
):
    """Return a trace of ``lines`` ((hz, dbm), ...) and complex Gaussian noise, ``samples`` powers a point."""
    rng = rng or np.random.default_rng(1)
    frequency = centre_hz + (np.arange(points) - (points - 1) / 2) * spacing_hz
    amplitude = np.zeros(points)
    for hz, dbm in lines:
        amplitude = amplitude + np.sqrt(10 ** (dbm / 10) * shape((frequency - hz) / rbw_hz))
    noise = rng.normal(size=(samples, points)) + 1j * rng.normal(size=(samples, points))
    envelope = np.abs(amplitude + math.sqrt(10 ** (floor_dbm / 10) / 2) * noise)
    if average_type == "log":
        level = np.mean(20 * np.log10(envelope), axis=0)
    elif average_type == "voltage":
        level = 20 * np.log10(np.mean(envelope, axis=0))
    else:
        level = 10 * np.log10(np.mean(envelope**2, axis=0))
    fields = {
        "frequency_hz": frequency,
        "level_dbm": level,
        "rbw_hz": rbw_hz,
        "noise_bandwidth_hz": math.sqrt(math.pi / (4 * math.log(2))) * rbw_hz,
        "detector": "rms",
        "average_type": average_type,
        "averages": 1,
        # The dwell that gives this many independent samples a point, so that the trace tells the truth.
        "sweep_time_s": samples * points / (1.505 * rbw_hz),
        "attenuation_db": 10.0,
        "reference_level_dbm": 0.0,
    }
    return Trace(**{**fields, **changes})
