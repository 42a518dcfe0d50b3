"""Occupied bandwidth and adjacent-channel leakage of noise shaped with scipy, against closed forms.

Noise through a filter has its known spectrum; scipy.signal makes the filter and its response, the closed form
says what each measure of it must be. Definitions: ITU-R SM.328 (occupied bandwidth), 3GPP TS 38.104, clause
6.6.3 (adjacent channel leakage), TS 25.104, clause 6.8.1 (root-raised-cosine filter, roll-off 0.22).
"""

import math

import numpy as np
import pytest
import scipy.integrate
import scipy.signal

from hilkit.analysis import (
    MaskSegment,
    band_power,
    channel_beside,
    emission_levels_dbm,
    nearest_to_mask,
    neighbours,
    occupied_bandwidth,
    rrc_power_response,
    x_db_bandwidth,
)
from hilkit.analysis.adjacent import Neighbour
from hilkit.errors import MeasurementError
from hilkit.readings import Trace

CENTRE_HZ = 1.85e9
RBW_HZ = 10e3


def trace_of(density_w_hz, *, span_hz=100e6, points=40001, samples=400, rng=None):
    """Return a trace of Gaussian noise of a density over the offset; ``rng`` None leaves its mean alone."""
    offset = np.linspace(-span_hz / 2, span_hz / 2, points)
    noise_bandwidth_hz = RBW_HZ * math.sqrt(math.pi / (4 * math.log(2)))
    power = density_w_hz(offset) * noise_bandwidth_hz
    if rng is not None:
        power = power * rng.gamma(samples, 1 / samples, points)
    return Trace(
        frequency_hz=CENTRE_HZ + offset,
        level_dbm=10 * np.log10(power * 1e3),
        rbw_hz=RBW_HZ,
        noise_bandwidth_hz=noise_bandwidth_hz,
        detector="rms",
        average_type="power",
        averages=1,
        sweep_time_s=samples * points / (1.505 * RBW_HZ),
        attenuation_db=0.0,
        reference_level_dbm=0.0,
    )


def single_pole(corner_hz):
    """A density of 1/(1 + (f/fc)^2), from the response that scipy gives of one analogue pole."""
    b, a = scipy.signal.butter(1, 2 * np.pi * corner_hz, analog=True)

    def density(offset_hz):
        _, response = scipy.signal.freqs(b, a, worN=2 * np.pi * np.abs(offset_hz))
        return 1e-12 * np.abs(response) ** 2

    return density


@pytest.mark.parametrize("corner_hz", [0.2e6, 1e6])
def test_a_single_pole_has_an_occupied_bandwidth_in_closed_form(corner_hz):
    # Between +-f lie (2/pi) atan(f/fc) of the power, in a span of +-S/2 of atan(S/2/fc) in place of pi/2.
    half_hz = corner_hz * math.tan(0.99 * math.atan(50e6 / corner_hz))
    found = occupied_bandwidth(trace_of(single_pole(corner_hz)))
    assert found.width_hz == pytest.approx(2 * half_hz, rel=1e-4)
    assert found.centre_hz == pytest.approx(CENTRE_HZ, abs=1.0)


def test_a_single_pole_is_six_decibels_down_where_its_closed_form_says():
    # 1 + (f/fc)^2 = 10^0.6
    expected_hz = 2 * 1e6 * math.sqrt(10**0.6 - 1)
    assert x_db_bandwidth(trace_of(single_pole(1e6)), x_db=6).width_hz == pytest.approx(expected_hz, rel=1e-4)


def test_the_stated_scatter_is_that_of_repeated_readings():
    rng = np.random.default_rng(5)
    # Few samples and points: the scatter has to show within 200 readings.
    taken = [
        occupied_bandwidth(trace_of(single_pole(1e6), points=20001, samples=20, rng=rng)) for _ in range(200)
    ]
    spread = np.std([found.width_hz for found in taken], ddof=1)
    assert spread == pytest.approx(np.mean([found.sd_hz for found in taken]), rel=0.2)


def test_the_floor_that_is_taken_off_leaves_the_width():
    rng = np.random.default_rng(6)
    plain = single_pole(0.2e6)
    noisy = trace_of(lambda offset: plain(offset) + 1e-15, rng=rng)
    floor = trace_of(lambda offset: np.full(len(offset), 1e-15), rng=rng)
    with_it, without = occupied_bandwidth(noisy), occupied_bandwidth(noisy, floor=floor)
    expected_hz = 2 * 0.2e6 * math.tan(0.99 * math.atan(50e6 / 0.2e6))
    assert without.width_hz == pytest.approx(expected_hz, abs=4 * without.sd_hz)
    assert abs(with_it.width_hz - expected_hz) > 10 * without.sd_hz


def test_noise_alone_is_no_carrier():
    rng = np.random.default_rng(7)
    flat = [trace_of(lambda offset: np.full(len(offset), 1e-15), rng=rng) for _ in range(2)]
    with pytest.raises(MeasurementError, match="no carrier found"):
        occupied_bandwidth(flat[0], floor=flat[1])


@pytest.mark.parametrize("offset_hz", [20e6, 40e6])
def test_a_single_pole_leaks_as_its_closed_form_says(offset_hz):
    # Power between f1 and f2: atan(f2/fc) - atan(f1/fc), up to a factor.
    corner_hz, width_hz = 1e6, 18e6

    def part(low_hz, high_hz):
        return math.atan(high_hz / corner_hz) - math.atan(low_hz / corner_hz)

    trace = trace_of(single_pole(corner_hz))
    carrier = band_power(trace, low_hz=CENTRE_HZ - width_hz / 2, high_hz=CENTRE_HZ + width_hz / 2)
    expected_db = 10 * math.log10(
        part(-width_hz / 2, width_hz / 2) / part(offset_hz - width_hz / 2, offset_hz + width_hz / 2)
    )
    for side in (-1, 1):
        beside = channel_beside(
            trace,
            centre_hz=CENTRE_HZ + side * offset_hz,
            neighbour=Neighbour(offset_hz=offset_hz, width_hz=width_hz),
        )
        assert carrier.level_dbm - beside.level_dbm == pytest.approx(expected_db, abs=0.005)


@pytest.mark.parametrize("roll_off", [0.1, 0.22, 0.5, 1.0])
def test_the_noise_bandwidth_of_a_root_raised_cosine_is_its_symbol_rate(roll_off):
    # TS 25.104, clause 6.8.1: roll-off 0.22, 3.84 Mcps; 10 log10 of it 65.84 dB Hz.
    rate_hz = 3.84e6
    ends = [(1 - roll_off) / 2 * rate_hz, (1 + roll_off) / 2 * rate_hz]
    area, _ = scipy.integrate.quad(
        lambda hz: float(rrc_power_response(hz, symbol_rate_hz=rate_hz, roll_off=roll_off)),
        0,
        ends[1],
        points=ends[:1],
    )
    assert 2 * area == pytest.approx(rate_hz, rel=1e-9)


def test_flat_noise_reads_alike_behind_a_square_and_a_root_raised_cosine_filter():
    flat = trace_of(lambda offset: np.full(len(offset), 1e-15))
    for rrc in (False, True):
        found = channel_beside(
            flat, centre_hz=CENTRE_HZ, neighbour=Neighbour(offset_hz=0.0, width_hz=3.84e6, rrc=rrc)
        )
        assert found.level_dbm == pytest.approx(-120 + 65.84, abs=0.005)


def test_the_neighbours_of_a_20_mhz_carrier_stand_where_the_tables_say():
    # TS 38.104, table 6.6.3.2-1, and TS 36.104, table 6.6.2.1-1: BW and 2 BW; BW/2 + 2.5 and + 7.5 MHz.
    for kind, offsets_mhz, width_mhz in (
        ("nr", (20, 40), 19.08),
        ("e_utra_5", (12.5, 17.5), 4.5),
        ("rrc_3_84", (12.5, 17.5), 3.84),
    ):
        found = neighbours(kind, bandwidth_hz=20e6, configuration_hz=19.08e6)
        assert [each.offset_hz for each in found] == [pytest.approx(mhz * 1e6) for mhz in offsets_mhz]
        assert [each.width_hz for each in found] == [pytest.approx(width_mhz * 1e6)] * 2
    with pytest.raises(ValueError, match="no kind of adjacent channel"):
        neighbours("gsm", bandwidth_hz=20e6, configuration_hz=19.08e6)


@pytest.mark.parametrize("bandwidth_hz", [100e3, 1e6])
def test_a_narrow_filter_is_integrated_up_to_the_measurement_bandwidth(bandwidth_hz):
    # Power of a single pole between two frequencies: fc N0 (atan(f2/fc) - atan(f1/fc)).
    corner_hz, at_hz = 1e6, 5e6
    edges = (at_hz - bandwidth_hz / 2, at_hz + bandwidth_hz / 2)
    power = 1e-12 * corner_hz * (math.atan(edges[1] / corner_hz) - math.atan(edges[0] / corner_hz))
    (level,) = emission_levels_dbm(
        trace_of(single_pole(corner_hz)), [CENTRE_HZ + at_hz], bandwidth_hz=bandwidth_hz
    )
    assert level == pytest.approx(10 * math.log10(power * 1e3), abs=0.005)


@pytest.mark.parametrize("side", [-1, 1])
def test_the_worst_place_under_a_sloped_mask_is_found(side):
    # A single pole far out falls as f^-2: -20 log10 f; a line of s dB/Hz is parallel where 20/(f ln 10) = s.
    trace = trace_of(single_pole(0.1e6))
    segment = MaskSegment(from_hz=1e6, to_hz=11e6, from_dbm=-40.0, to_dbm=-60.0, bandwidth_hz=100e3)
    found = nearest_to_mask(trace, segment, edge_hz=CENTRE_HZ, side=side)
    # s = 2 dB/MHz: there the skirt is furthest under the line, so that the worst place is at one end.
    margins = {
        hz: float(segment.limit_dbm(hz)) - 10 * math.log10(1e3 * 1e-12 * 100e3 / (1 + (hz / 0.1e6) ** 2))
        for hz in (1e6, 11e6)
    }
    assert found.offset_hz == min(margins, key=margins.__getitem__)
    assert found.margin_db == pytest.approx(min(margins.values()), abs=0.02)


def test_a_mask_outside_the_swept_range_is_told_and_so_is_a_filter_wider_than_it_asks_for():
    trace = trace_of(single_pole(0.1e6))
    outside = MaskSegment(from_hz=1e6, to_hz=60e6, from_dbm=0.0, to_dbm=0.0, bandwidth_hz=1e6)
    with pytest.raises(MeasurementError, match="the mask reaches"):
        nearest_to_mask(trace, outside, edge_hz=CENTRE_HZ, side=1)
    with pytest.raises(MeasurementError, match="cannot be integrated up to 1000 Hz"):
        emission_levels_dbm(trace, [CENTRE_HZ], bandwidth_hz=1e3)
