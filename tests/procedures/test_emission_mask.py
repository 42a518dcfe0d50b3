"""The emission mask against what the simulated radio sends beside its channel."""

import math

import numpy as np
import pytest

from hilkit.judgement import combine
from hilkit.readings import Bound
from hilkit.sim.transmitter import band
from tests.procedures.rig import CARRIER, by_key, failed_checks, rig

MASK = [
    {"from": "0.15 MHz", "to": "5.05 MHz", "limit": "-7 dBm", "limit_end": "-14 dBm", "bandwidth": "100 kHz"},
    {"from": "5.05 MHz", "to": "10.05 MHz", "limit": "-14 dBm", "bandwidth": "100 kHz"},
    {"from": "10.5 MHz", "to": "15 MHz", "limit": "-15 dBm", "bandwidth": "1 MHz"},
]
SETTINGS = {
    "channel": 1,
    "carrier": CARRIER,
    "bandwidth": "20 MHz",
    "waveform": "nr20",
    "attenuation": "0 dB",
    "mask": MASK,
}


def quiet_and_loud(data):
    """An analyser with a low floor, and a radio whose shoulders stand well above it."""
    data["analysers"]["analyser"]["noise_density"] = "-170 dBm/Hz"
    data["analysers"]["analyser"]["intercept"] = "30 dBm"
    data["radio"]["channels"]["1"]["amplifier"]["intercept"] = "34 dBm"


def true_margin_db(pier, offset_hz, bandwidth_hz, limit_dbm):
    sent = band(pier.world.radio.transmission(1, pier.session.clock.now()))
    density = sent.linear + sent.shape * abs(sent.third) ** 2
    at_hz = 10e6 + offset_hz
    return limit_dbm - 10 * math.log10(np.interp(at_hz, sent.offset_hz, density) * bandwidth_hz) - 30


def test_the_margin_of_each_piece_is_that_of_the_port_within_its_uncertainty(tmp_path):
    with rig(tmp_path, edit=quiet_and_loud) as pier:
        pier.bring_up()
        found = pier.run("emission_mask", **SETTINGS)
        pieces = {reading.index: reading for reading in found if reading.name == "margin_upper"}
        assert list(pieces) == [0.15e6, 5.05e6, 10.5e6]
        # Shoulders fall with the distance, so that a flat piece is nearest at its first offset.
        for first_hz, bandwidth_hz, limit_dbm in ((5.05e6, 100e3, -14.0), (10.5e6, 1e6, -15.0)):
            reading = pieces[first_hz]
            assert reading.bound is Bound.EXACT
            expected_db = true_margin_db(pier, first_hz, bandwidth_hz, limit_dbm)
            # Of some hundred places the nearest is one where the noise adds: up to three deviations.
            assert abs(reading.value - expected_db) < combine(reading.budget).expanded + 0.6
        worst = by_key(found)["mask_margin", ""]
        assert worst.value == min(reading.value for reading in found)
        assert not any(failed_checks(reading) for reading in found)


def test_emissions_in_the_floor_are_bounds(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("emission_mask", **SETTINGS))
        assert found["mask_margin", ""].bound is Bound.LOWER
        assert found["mask_margin", ""].value > 30


@pytest.mark.parametrize(
    ("change", "words"),
    [({"to": "0.05 MHz"}, "has no width"), ({"to": "900 MHz"}, "the loss of path")],
)
def test_a_mask_that_cannot_be_is_told(tmp_path, change, words):
    with rig(tmp_path) as pier:
        mask = [{**MASK[0], **change}]
        assert any(words in text for _, text in pier.misfits("emission_mask", **{**SETTINGS, "mask": mask}))
