"""Adjacent-channel leakage against the shoulders of the simulated radio, and what the analyser adds."""

import numpy as np
import pytest

from hilkit.judgement import combine
from hilkit.readings import Bound
from hilkit.sim.transmitter import band
from tests.procedures.rig import CARRIER, by_key, failed_checks, rig

SETTINGS = {
    "channel": 1,
    "carrier": CARRIER,
    "bandwidth": "20 MHz",
    "configuration": "19.08 MHz",
    "waveform": "nr20",
    "attenuation": "0 dB",
}
SIDES = {"lower": -20e6, "upper": 20e6}


def true_ratio_db(pier, offset_hz):
    """Ratio of the powers that leave the port, summed from the density that the simulated radio sends."""
    sent = band(pier.world.radio.transmission(1, pier.session.clock.now()))
    density = sent.linear + sent.shape * abs(sent.third) ** 2

    def inside(centre_hz):
        return float(density[np.abs(sent.offset_hz - centre_hz) <= 9.54e6].sum())

    return 10 * np.log10(inside(0.0) / inside(offset_hz))


def quiet(data):
    data["analysers"]["analyser"]["noise_density"] = "-180 dBm/Hz"


def test_the_ratio_is_that_of_the_port_within_its_uncertainty(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("adjacent_leakage", **SETTINGS))
        for side, offset_hz in SIDES.items():
            ratio = found[f"aclr_{side}", ""]
            assert ratio.bound is Bound.EXACT
            assert abs(ratio.value - true_ratio_db(pier, offset_hz)) < combine(ratio.budget).expanded
        # Third order reaches one and a half widths: the second channel holds noise, and is a bound.
        assert found["aclr_upper_second", ""].bound is Bound.LOWER
        assert found["leakage_upper_second", ""].bound is Bound.UPPER
        assert not any(failed_checks(reading) for reading in found.values())


def test_shoulders_of_the_analyser_are_searched_away(tmp_path):
    """With an intercept of 8 dBm the first setting reads the analyser's shoulders, a later one the unit's."""

    def bent(data):
        quiet(data)
        data["analysers"]["analyser"]["intercept"] = "8 dBm"

    with rig(tmp_path, edit=bent) as pier:
        pier.bring_up()
        found = by_key(pier.run("adjacent_leakage", **SETTINGS))
        for side, offset_hz in SIDES.items():
            ratio = found[f"aclr_{side}", ""]
            (check,) = (each for each in ratio.evidence if each.name == "more attenuation")
            assert check.held, check.sentence
            assert "the analyser's own product changed it" in check.sentence
            assert abs(ratio.value - true_ratio_db(pier, offset_hz)) < combine(ratio.budget).expanded


def test_leakage_lost_in_the_floor_is_not_proven_without_an_intercept(tmp_path):
    with rig(tmp_path, ("      third_order_intercept: 15 dBm\n", "")) as pier:
        pier.bring_up()
        ratio = by_key(pier.run("adjacent_leakage", **SETTINGS))["aclr_lower", ""]
        (check,) = (each for each in ratio.evidence if each.name == "more attenuation")
        assert check.held is None
        assert "states no intercept" in check.sentence


@pytest.mark.parametrize(
    ("limits", "way"),
    [
        ({"relative_limit": "45 dB"}, "relative"),
        ({"absolute_limit": "-15 dBm"}, "absolute"),
        ({"relative_limit": "99 dB", "absolute_limit": "-15 dBm"}, "absolute"),
        ({"relative_limit": "45 dB", "absolute_limit": "-99 dBm"}, "relative"),
    ],
)
def test_either_limit_is_enough(tmp_path, limits, way):
    # TS 38.104, clause 6.6.3.2: the less stringent of both applies.
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("adjacent_leakage", **SETTINGS, **limits))
        margin = found["leakage_margin", ""]
        assert margin.note.startswith(way)
        assert margin.value > 0
        assert margin.budget.unit == "dB"


def test_a_configuration_wider_than_its_channel_is_told(tmp_path):
    with rig(tmp_path) as pier:
        (told,) = pier.misfits("adjacent_leakage", **{**SETTINGS, "configuration": "21 MHz"})
        assert told[0] == "configuration"


def test_neighbours_beyond_the_known_loss_of_the_path_are_told(tmp_path):
    with rig(tmp_path) as pier:
        settings = {**SETTINGS, "carrier": "2390 MHz", "bandwidth": "60 MHz"}
        assert any("the loss of path" in text for _, text in pier.misfits("adjacent_leakage", **settings))
