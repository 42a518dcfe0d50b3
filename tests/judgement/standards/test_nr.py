"""NR carriers against the package nrarfcn and published rows of 3GPP TS 38.104."""

from __future__ import annotations

import nrarfcn
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilkit.judgement.standards import nr, older
from hilkit.judgement.standards.source import StandardMistake


@given(st.integers(0, 3_279_165))
def test_every_number_agrees_with_nrarfcn_both_ways(number: int) -> None:
    hz = nr.arfcn_to_hz(number)
    assert hz == pytest.approx(nrarfcn.get_frequency(number) * 1e6, abs=1)
    assert nr.hz_to_arfcn(hz) == number


# TS 38.104 V19.4.0, Table 5.4.2.1-1: both sides of each border of the raster.
@pytest.mark.parametrize(
    ("number", "mhz"),
    [
        (0, 0),
        (368_500, 1842.5),
        (599_999, 2999.995),
        (600_000, 3000),
        (620_000, 3300),
        (653_333, 3799.995),
        (2_016_666, 24_249.99),
        (2_016_667, 24_250.08),
        (3_279_165, 99_999.96),
    ],
)
def test_the_borders_of_the_raster(number: int, mhz: float) -> None:
    assert nr.arfcn_to_hz(number) == pytest.approx(mhz * 1e6, abs=0.01)


def test_a_frequency_off_the_raster_is_refused_with_the_nearest() -> None:
    with pytest.raises(StandardMistake) as caught:
        nr.hz_to_arfcn(1_842_501_000)
    assert caught.value.next_step == "the nearest is 1842.5 MHz"
    for outside in (-1, 3_279_166):
        with pytest.raises(StandardMistake):
            nr.arfcn_to_hz(outside)
    for hz in (-5e3, 1e11):
        with pytest.raises(StandardMistake):
            nr.hz_to_arfcn(hz)


# TS 38.104 V19.4.0, Table 5.4.2.3-1, downlink.
RASTERS = [
    ("n1", 100, 422_000, 20, 434_000),
    ("n3", 100, 361_000, 20, 376_000),
    ("n20", 100, 158_200, 20, 164_200),
    ("n40", 100, 460_000, 20, 480_000),
    ("n41", 15, 499_200, 3, 537_999),
    ("n41", 30, 499_200, 6, 537_996),
    ("n48", 15, 636_667, 1, 646_666),
    ("n48", 30, 636_668, 2, 646_666),
    ("n77", 15, 620_000, 1, 680_000),
    ("n78", 15, 620_000, 1, 653_333),
    ("n78", 30, 620_000, 2, 653_332),
    ("n79", 15, 693_334, 1, 733_333),
    ("n79", 30, 693_334, 2, 733_332),
]


@pytest.mark.parametrize(("name", "khz", "first", "step", "last"), RASTERS)
def test_the_channel_raster_of_a_band(name: str, khz: int, first: int, step: int, last: int) -> None:
    found = nr.channel_raster(name, khz)
    assert (found[0], found.step, found[-1]) == (first, step, last)


@pytest.mark.parametrize("name", list(nr.BANDS))
def test_band_edges_agree_with_nrarfcn(name: str) -> None:
    for hz in nr.BANDS[name].downlink_hz:
        # The last raster point may lie inside the edge: 20 kHz within are enough to be sure of the band.
        inside = hz + 2e4 if hz == nr.BANDS[name].downlink_hz[0] else hz - 4e4
        assert name in nr.bands_at(inside)
    first, *_, last = nr.channel_raster(name)
    assert name in nrarfcn.get_bands_by_nrarfcn(first) and name in nrarfcn.get_bands_by_nrarfcn(last)


# TS 38.104: Table 5.3.2-1 (N_RB), Table 5.3.3-1 (guard band, kHz), Tables B.5.2-1 to -3 (FFT).
@pytest.mark.parametrize(
    ("mhz", "khz", "blocks", "guard", "fft"),
    [
        (5, 15, 25, 242.5, 512),
        (20, 15, 106, 452.5, 2048),
        (50, 15, 270, 692.5, 4096),
        (5, 30, 11, 505, 256),
        (20, 30, 51, 805, 1024),
        (35, 30, 92, 925, 1536),
        (60, 30, 162, 825, 3072),
        (100, 30, 273, 845, 4096),
        (10, 60, 11, 1010, 256),
        (45, 60, 58, 1590, 1024),
        (100, 60, 135, 1370, 2048),
        (15, 30, 38, 645, 768),
    ],
)
def test_what_fits_into_a_channel(mhz: int, khz: int, blocks: int, guard: float, fft: int) -> None:
    assert nr.resource_blocks(mhz * 1e6, khz * 1e3) == blocks
    assert nr.guard_band_hz(mhz * 1e6, khz * 1e3) == pytest.approx(guard * 1e3)
    assert nr.fft_size(mhz * 1e6, khz * 1e3) == fft


def test_the_widest_configuration_counts_for_adjacent_channels() -> None:
    assert nr.transmission_bandwidth_hz(20e6) == pytest.approx(19.08e6)
    assert nr.transmission_bandwidth_hz(100e6) == pytest.approx(98.28e6)


@pytest.mark.parametrize(
    ("call", "key", "hint"),
    [
        (lambda: nr.band("n4O"), "band", "did you mean n40 or n48 or n41?"),
        (lambda: nr.band("78"), "band", "did you mean n78?"),
        (lambda: nr.resource_blocks(22e6, 15e3), "bandwidth", "the nearest are 20 MHz and 25 MHz"),
        (lambda: nr.resource_blocks(5e6, 60e3), "subcarrier_spacing", ""),
        (lambda: nr.channel_raster("n3", 15), "raster", ""),
        (lambda: older.eutra_blocks(25e6), "bandwidth", "the nearest are 15 MHz and 20 MHz"),
        (lambda: older.earfcn_to_hz(70_000), "earfcn", ""),
    ],
)
def test_what_does_not_exist_is_answered_with_what_is_near(call, key: str, hint: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(StandardMistake) as caught:
        call()
    assert caught.value.key == key and caught.value.allowed
    assert caught.value.next_step == hint


# TS 36.104 V19.2.0, clause 5.7.3 and Table 5.6-1.
@pytest.mark.parametrize(
    ("number", "mhz"),
    [
        (300, 2140),
        (900, 1960),
        (1300, 1815),
        (2525, 881.5),
        (3100, 2655),
        (3625, 942.5),
        (6300, 806),
        (9435, 780.5),
        (38150, 2610),
        (39150, 2350),
        (40620, 2593),
    ],
)
def test_downlink_numbers_of_eutra(number: int, mhz: float) -> None:
    assert older.earfcn_to_hz(number) == pytest.approx(mhz * 1e6, abs=0.01)
    assert older.eutra_transmission_bandwidth_hz(10e6) == 9e6
