"""Relations of a pure cubic, worked examples of phase noise, and settling in closed form."""

import math

import numpy as np
import pytest

from hilkit.analysis.compression import compression_curve
from hilkit.analysis.flatness import flatness
from hilkit.analysis.intermodulation import output_intercept_dbm, slope_db_per_db
from hilkit.analysis.phase_noise import integrated_ssb_dbc, rms_jitter_s, rms_phase_rad
from hilkit.errors import MeasurementError

A1, A3 = 1.0, -0.1


def dbm_of(amplitude: float) -> float:
    """Return the level of a sine of this amplitude in V on 50 ohm."""
    return 10 * math.log10(amplitude**2 / 2 / 50 * 1e3)


# The device y = a1 x + a3 x^3 on real samples; its input intercept from the coefficients is A^2 = 4/3 |a1/a3|
# (Pozar, Microwave Engineering, 4th ed., section 10.3).
IIP3_DBM = dbm_of(math.sqrt(4 / 3 * abs(A1 / A3)))


def lines_of(samples: np.ndarray) -> np.ndarray:
    return 2 * np.abs(np.fft.rfft(samples)) / len(samples)


def two_tones(amplitude: float) -> tuple[float, float]:
    """Return tone and product at the output in dBm, by a Fourier transform of real samples."""
    turn = 2 * np.pi * np.arange(4096) / 4096
    sent = amplitude * (np.cos(100 * turn) + np.cos(110 * turn))
    lines = lines_of(A1 * sent + A3 * sent**3)
    return dbm_of(lines[100]), dbm_of(lines[90])


@pytest.mark.parametrize(
    ("tone_dbm", "apart_db", "intercept_dbm"), [(0.0, 40.0, 20.0), (-10.0, 60.0, 20.0), (10.0, 30.0, 25.0)]
)
def test_the_intercept_is_the_tone_and_half_of_the_distance(tone_dbm, apart_db, intercept_dbm):
    """Pozar, Microwave Engineering, 4th ed., section 10.3 and problem 10.12: IP3 = P + (distance)/2."""
    assert output_intercept_dbm(tone_dbm, tone_dbm, tone_dbm - apart_db) == pytest.approx(intercept_dbm)


def test_the_intercept_of_a_pure_cubic_is_that_of_its_coefficients():
    """At 0.1 V the tone itself is compressed by 0.02 dB; at 0.01 V nothing of that is left."""
    tone, product = two_tones(0.1)
    assert product - tone == pytest.approx(-62.479, abs=0.002)
    tone, product = two_tones(0.01)
    assert output_intercept_dbm(tone, tone, product) == pytest.approx(IIP3_DBM, abs=0.001)


def test_the_product_of_a_pure_cubic_rises_three_decibels_per_decibel():
    found = [two_tones(amplitude) for amplitude in (0.01, 0.02, 0.04)]
    tones, products = zip(*found, strict=True)
    assert slope_db_per_db(tones, products) == pytest.approx(3.0, abs=0.01)


def test_unequal_tones_give_the_same_intercept_on_both_sides():
    """P_lower = 2 P1 + P2 - 2 IP3 and P_upper = P1 + 2 P2 - 2 IP3 (Pozar, as above, for unequal tones)."""
    assert output_intercept_dbm(10.0, 7.0, 2 * 10 + 7 - 2 * 40) == pytest.approx(40.0)
    assert output_intercept_dbm(7.0, 10.0, 2 * 7 + 10 - 2 * 40) == pytest.approx(40.0)


def test_the_output_compression_point_of_a_pure_cubic_lies_10_64_db_under_its_intercept():
    """IIP3 - IP1dB = -10 log(1 - 10^(-1/20)) = 9.64 dB; with the 1 dB of compression 10.64 dB at the output
    (Razavi, RF Microelectronics, 2nd ed., section 2.2: 9.6 dB, from memory)."""
    amplitude = np.geomspace(0.02, 1.5, 120)
    inputs = [dbm_of(each) for each in amplitude]
    outputs = [dbm_of(abs(A1 * each + 0.75 * A3 * each**3)) for each in amplitude]
    curve = compression_curve(inputs, outputs, small_signal_range_db=6.0)
    found = curve.point()
    assert found is not None
    assert IIP3_DBM - found[0] == pytest.approx(9.6357, abs=0.01)
    assert IIP3_DBM - found[1] == pytest.approx(10.6357, abs=0.01)


def test_a_curve_that_is_not_compressed_has_no_point():
    assert compression_curve(range(10), range(10), small_signal_range_db=4.0).point() is None


def test_too_few_points_make_no_line():
    with pytest.raises(MeasurementError, match="at least 3"):
        compression_curve([0.0, 5.0, 10.0], [0.0, 5.0, 10.0], small_signal_range_db=5.0)


def test_a_product_as_strong_as_the_tones_is_none():
    with pytest.raises(MeasurementError, match="no intercept"):
        output_intercept_dbm(0.0, 0.0, 1.0)


def test_minus_67_dbc_of_a_100_mhz_carrier_are_one_picosecond():
    """Published example of phase noise to jitter: -150 dBc/Hz from 10 kHz to 200 MHz, 1.005 ps."""
    total = integrated_ssb_dbc([10e3, 200e6], [-150.0, -150.0])
    assert total == pytest.approx(-66.99, abs=0.005)
    assert rms_phase_rad(-67.0) == pytest.approx(6.317e-4, rel=1e-4)
    assert rms_jitter_s(rms_phase_rad(-67.0), 100e6) == pytest.approx(1.005e-12, rel=5e-4)


def test_four_segments_of_a_600_mhz_oscillator_are_1_99_picoseconds():
    """Published example of piecewise integration; 100 Hz to 10 kHz falls 10 dB a decade: a logarithm."""
    offset = [10.0, 100.0, 1e3, 10e3, 10.001e3]
    total = integrated_ssb_dbc(offset, [-60.0, -75.0, -85.0, -95.0, -95.0])
    assert total == pytest.approx(-45.4916, abs=1e-3)
    assert rms_jitter_s(rms_phase_rad(total), 600e6) == pytest.approx(1.99e-12, abs=0.005e-12)


def test_a_flat_density_integrates_to_its_width():
    """-100 dBc/Hz over 1 MHz: -40 dBc, 14.14 mrad, 0.81 degrees (both sidebands count)."""
    total = integrated_ssb_dbc([1.0, 1e6 + 1], [-100.0, -100.0])
    assert total == pytest.approx(-40.0)
    assert math.degrees(rms_phase_rad(total)) == pytest.approx(0.8103, abs=1e-4)


def test_a_slope_next_to_ten_decibels_a_decade_joins_the_logarithm():
    """The two branches of the closed form meet."""
    exact = integrated_ssb_dbc([1e3, 1e5], [-80.0, -100.0])
    assert integrated_ssb_dbc([1e3, 1e5], [-80.0, -100.000001]) == pytest.approx(exact, abs=1e-5)


def test_offsets_have_to_rise():
    with pytest.raises(ValueError, match="rising"):
        integrated_ssb_dbc([1e3, 1e3], [-80.0, -80.0])


def test_a_sine_is_as_flat_as_it_is_high_and_has_no_tilt():
    """Closed form: a whole period of +-0.3 dB spreads over 0.6 dB; a straight line tilts by its rise."""
    place = np.linspace(-10e6, 10e6, 41)
    assert flatness(place, 0.3 * np.cos(2 * np.pi * place / 20e6)).spread_db == pytest.approx(0.6)
    assert flatness(place, 0.3 * np.cos(2 * np.pi * place / 20e6)).tilt_db == pytest.approx(0.0, abs=1e-9)
    assert flatness(place, 0.05 * place / 1e6).tilt_db == pytest.approx(1.0)
