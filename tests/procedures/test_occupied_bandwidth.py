"""Occupied bandwidth against that of the simulated stream."""

import pytest

from hilkit.errors import MeasurementError
from hilkit.judgement import combine
from tests.procedures.rig import CARRIER, by_key, failed_checks, rig

SETTINGS = {
    "channel": 1,
    "carrier": CARRIER,
    "bandwidth": "20 MHz",
    "waveform": "nr20",
    "attenuation": "6 dB",
}

# simulated_pier.yaml: flat over 19.08 MHz, edges 300 kHz wide that fall like a sine. An edge adds outside
# what it takes inside, and ends before the last half percent is reached.
FLAT_HZ = 0.99 * 19.08e6


def test_the_width_is_that_of_the_stream_within_its_uncertainty(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("occupied_bandwidth", **SETTINGS, x="20 dB"))
        width = found["occupied_bandwidth", ""]
        assert abs(width.value - FLAT_HZ) < combine(width.budget).expanded
        centre = found["occupied_centre_error", ""]
        assert abs(centre.value) < combine(centre.budget).expanded
        # 20 dB under the flat top: sin(pi d) = 0.98 at the edge, 131 kHz beyond half of 19.08 MHz.
        down = found["x_db_bandwidth", ""]
        assert abs(down.value - (19.08e6 + 2 * 131e3)) < combine(down.budget).expanded
        assert not any(failed_checks(reading) for reading in found.values())


def test_without_x_there_is_no_x_db_bandwidth(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        names = {reading.name for reading in pier.run("occupied_bandwidth", **SETTINGS)}
        assert names == {"occupied_bandwidth", "occupied_centre_error"}


def test_a_stream_under_the_floor_is_told_and_no_number(tmp_path):
    def deaf(data):
        data["analysers"]["analyser"]["noise_density"] = "-80 dBm/Hz"

    with rig(tmp_path, edit=deaf) as pier:
        pier.bring_up()
        with pytest.raises(MeasurementError, match=r"no carrier found|no power above the floor"):
            pier.run("occupied_bandwidth", **SETTINGS)
