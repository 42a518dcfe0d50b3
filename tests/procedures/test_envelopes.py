"""What a procedure says beforehand of its RF states and its time is what it does."""

from dataclasses import replace

import pytest

from hilkit.errors import MeasurementError
from hilkit.procedures import find
from tests.procedures.rig import CARRIER, TONE, by_key, rig

SWEEP = {"channel": 1, "carrier": CARRIER, "offset": "7.5 MHz", "from": "3 dB", "to": "13 dB", "step": "1 dB"}
STREAM = {
    "channel": 1,
    "carrier": CARRIER,
    "bandwidth": "20 MHz",
    "waveform": "nr20",
    "attenuation": "6 dB",
}
CASES = {
    "bring_up": {"channel": 1, "carrier": CARRIER, "reference": "external"},
    "tone_placement": TONE,
    "power_sweep": {**SWEEP, "pad": "20 dB", "usable_range": "6 dB"},
    "channel_power": STREAM,
    "occupied_bandwidth": STREAM,
    "emission_mask": {
        **STREAM,
        "mask": [{"from": "0.05 MHz", "to": "5.05 MHz", "limit": "-7 dBm", "bandwidth": "100 kHz"}],
    },
    "adjacent_leakage": {**STREAM, "configuration": "19.08 MHz"},
    "retune": {**TONE, "to": "1862.5 MHz", "attenuation": "8 dB"},
}


def watched(pier):
    """Keep the RF states that pass the gate from now on."""
    commanded, plain = [], pier.session.rf

    def rf(state):
        commanded.append(state)
        plain(state)

    pier.session.rf = rf
    return commanded


@pytest.mark.parametrize("name", CASES)
def test_every_commanded_state_is_in_the_envelope_and_the_announced_time_is_near_the_taken(tmp_path, name):
    """Near: within a factor of 3 (common practice, no source)."""
    with rig(tmp_path) as pier:
        if name != "bring_up":
            pier.bring_up()
        exposures = list(find(name).envelope(pier.settings(name, **CASES[name]), pier.bench))
        commanded = watched(pier)
        start = pier.session.clock.now()
        pier.run(name, **CASES[name])
        taken_s = pier.session.clock.now() - start
        assert commanded
        assert [state for state in commanded if state not in [each.state for each in exposures]] == []
        announced_s = sum(each.expected_s for each in exposures)
        assert taken_s / 3 <= announced_s <= 3 * taken_s


def test_a_short_deadline_shortens_the_announced_time(tmp_path):
    with rig(tmp_path) as pier:

        def announced_s(**settings):
            given = pier.settings("tone_placement", **TONE, **settings)
            return sum(each.expected_s for each in find("tone_placement").envelope(given, pier.bench))

        assert announced_s(corrections_deadline="0.5 s") == pytest.approx(announced_s() - 1.0)
        assert announced_s(corrections_deadline="1000 s") == announced_s()


@pytest.mark.parametrize(("name", "settings"), [("power_sweep", SWEEP), ("channel_power", STREAM)])
def test_levels_are_read_with_the_corrections_as_set_and_not_as_found(tmp_path, name, settings):
    with rig(tmp_path) as pier:
        pier.bring_up()
        pier.run("tone_placement", **TONE)
        assert pier.session.radio.corrections_state(1).state == "settled"
        pier.run(name, **settings)
        assert pier.session.radio.corrections_state(1).state == "off"
        pier.run(name, **settings, corrections="true")
        assert pier.session.radio.corrections_state(1).state == "settled"


def test_levels_are_not_read_with_corrections_that_do_not_settle(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        with pytest.raises(MeasurementError, match="the corrections of channel 1 settle"):
            pier.run("power_sweep", **SWEEP, corrections="true", corrections_deadline="0.3 s")


def test_what_ran_before_does_not_show_in_the_channel_power(tmp_path):
    (tmp_path / "after").mkdir()
    with rig(tmp_path) as pier:
        pier.bring_up()
        alone = by_key(pier.run("channel_power", **STREAM))["channel_power", ""]
    with rig(tmp_path / "after") as pier:
        pier.bring_up()
        pier.run("tone_placement", **TONE)
        after = by_key(pier.run("channel_power", **STREAM))["channel_power", ""]
    assert after.value == pytest.approx(alone.value, abs=0.05)
    assert replace(after, value=0.0, trace=None, budget=None).bound is alone.bound
