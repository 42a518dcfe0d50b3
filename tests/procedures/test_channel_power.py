"""Channel power against the power of the simulated stream itself."""

import numpy as np
import pytest

from hilkit.errors import MeasurementError
from hilkit.readings import Bound
from tests.procedures.rig import CARRIER, by_key, rig

SETTINGS = {
    "channel": 1,
    "carrier": CARRIER,
    "bandwidth": "20 MHz",
    "waveform": "nr20",
    "attenuation": "6 dB",
}

# simulated_pier.yaml: full scale 23.7 dBm at 1.8 GHz, 23.4 dBm at 2.4 GHz; 12 dB under it, 6 dB attenuated.
STREAM_DBM = 23.68 - 12.0 - 6.0


def test_the_power_is_that_of_the_stream_within_the_errors_of_path_and_analyser(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("channel_power", **SETTINGS))
        # Believed and true path differ by up to 0.55 dB, the analyser errs by some 0.2 dB; most cancels here.
        assert found["channel_power", ""].value == pytest.approx(STREAM_DBM, abs=0.4)
        assert found["channel_power", ""].bound is Bound.EXACT


def test_the_density_is_the_power_over_the_bandwidth(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("channel_power", **SETTINGS))
        difference = found["channel_power", ""].value - found["power_density", ""].value
        assert difference == pytest.approx(10 * np.log10(20e6), abs=1e-9)


def test_half_of_the_stream_has_half_of_the_power(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        whole = by_key(pier.run("channel_power", **SETTINGS))["channel_power", ""].value
        half = by_key(pier.run("channel_power", **{**SETTINGS, "bandwidth": "9.54 MHz"}))[
            "channel_power", ""
        ].value
        assert whole - half == pytest.approx(10 * np.log10(19.08 / 9.54), abs=0.2)


def test_the_noise_bandwidth_counts_not_the_rbw(tmp_path):
    """A four-pole filter passes 0.25 dB more noise than a Gaussian of the same width; the answer must not."""

    def four_pole(data):
        data["analysers"]["analyser"]["filter_shape"] = "four_pole"

    (tmp_path / "a").mkdir()
    with rig(tmp_path / "a") as pier:
        pier.bring_up()
        gaussian = by_key(pier.run("channel_power", **SETTINGS))["channel_power", ""].value
    driver = tmp_path / "b" / "drivers"
    driver.mkdir(parents=True)
    (driver / "four_pole.yaml").write_text(
        "driver: four_pole\nbase: signal_analyser\n"
        "instrument_class: signal_analyser\nnoise_bandwidth_ratio: 1.128\n",
        encoding="utf-8",
    )
    with rig(tmp_path / "b", ("driver: signal_analyser", "driver: four_pole"), edit=four_pole) as pier:
        pier.bring_up()
        four_poles = by_key(pier.run("channel_power", **SETTINGS))["channel_power", ""].value
    assert four_poles == pytest.approx(gaussian, abs=0.1)


def test_a_stream_near_the_floor_is_an_upper_bound(tmp_path):
    def noisy(data):
        data["analysers"]["analyser"]["noise_density"] = "-105 dBm/Hz"

    with rig(tmp_path, edit=noisy) as pier:
        pier.bring_up()
        found = by_key(pier.run("channel_power", **SETTINGS))["channel_power", ""]
        assert found.bound is Bound.UPPER
        assert found.confidence == pytest.approx(0.977)
        assert found.value > STREAM_DBM - 0.4


@pytest.mark.parametrize(
    ("settings", "setting", "words"),
    [
        ({"bandwidth": "80 MHz"}, "bandwidth", "wider than the 60 MHz"),
        ({"carrier": "1.7 GHz"}, "carrier", "cannot be tuned"),
    ],
)
def test_what_cannot_work_is_refused(tmp_path, settings, setting, words):
    with rig(tmp_path) as pier:
        assert any(
            n == setting and words in text
            for n, text in pier.misfits("channel_power", **{**SETTINGS, **settings})
        )
        with pytest.raises(MeasurementError, match=words):
            pier.run("channel_power", **{**SETTINGS, **settings})
