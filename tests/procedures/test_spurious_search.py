"""Spurious emissions of the simulated radio, and lines of the analyser that pass for them."""

import pytest

from hilkit.judgement import combine
from hilkit.readings import Bound
from tests.procedures.rig import CARRIER, by_key, failed_checks, rig

SETTINGS = {
    "channel": 1,
    "carrier": CARRIER,
    "waveform": "nr20",
    "attenuation": "0 dB",
    "ranges": [
        {"from": "1750 MHz", "to": "2200 MHz", "limit": "-30 dBm", "bandwidth": "1 MHz"},
        {"from": "2200 MHz", "to": "2450 MHz", "limit": "-36 dBm", "bandwidth": "100 kHz"},
    ],
    "excluded": [{"from": "1795 MHz", "to": "1890 MHz"}],
}
SPUR_HZ, SPUR_DBM = 2.0203e9, -33.0


def spurious(data):
    data["radio"]["channels"]["1"]["spurious"] = [{"frequency": "2.0203 GHz", "level": f"{SPUR_DBM} dBm"}]
    data["analysers"]["analyser"]["spurs"] = [{"frequency": "2.3 GHz", "level": "-70 dBm"}]


def test_a_line_of_the_radio_is_found_and_one_of_the_analyser_is_not_taken_for_it(tmp_path):
    with rig(tmp_path, edit=spurious) as pier:
        pier.bring_up()
        found = pier.run("spurious_search", **SETTINGS)
        low, high = (reading for reading in found if reading.name == "spurious_margin")
        assert low.bound is Bound.EXACT
        assert abs(low.value - (-30.0 - SPUR_DBM)) < combine(low.budget).expanded
        assert f"at {SPUR_HZ / 1e6:.1f}" in low.note
        assert not failed_checks(low)
        # At -70 dBm behind 4 dB of attenuation it would pass for -41 dBm at the port, 5 dB under the limit.
        assert high.bound is Bound.LOWER
        assert "a residual line of the analyser" in high.note
        assert by_key(found)["worst_margin", ""].value == low.value


def test_a_range_with_nothing_in_it_is_bounded_by_its_floor(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = [reading for reading in pier.run("spurious_search", **SETTINGS) if reading.index is not None]
        assert [reading.bound for reading in found] == [Bound.LOWER, Bound.LOWER]
        assert all(reading.value > 10 for reading in found)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"to": "1700 MHz"}, "is no range"),
        ({"to": "12.75 GHz"}, "the loss of path"),
        ({"from": "2200 MHz", "to": "2300 MHz"}, "begin at one frequency"),
    ],
)
def test_a_range_that_cannot_be_searched_is_told(tmp_path, change, words):
    with rig(tmp_path) as pier:
        ranges = [{**SETTINGS["ranges"][0], **change}, SETTINGS["ranges"][1]]
        told = pier.misfits("spurious_search", **{**SETTINGS, "ranges": ranges})
        assert any(words in text for _, text in told)
