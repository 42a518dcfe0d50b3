"""Bring-up: locked, identified, calibrated, and no RF."""

import pytest

from hilkit.errors import MeasurementError
from hilkit.procedures import find
from tests.procedures.rig import CARRIER, by_key, rig

SETTINGS = {"channel": 1, "carrier": CARRIER, "reference": "external"}


def test_the_radio_ends_locked_calibrated_and_silent(tmp_path):
    with rig(tmp_path) as pier:
        found = by_key(pier.run("bring_up", **SETTINGS))
        assert found["reference_locked", ""].value == 1.0
        assert found["calibrated", ""].value == 1.0
        assert found["boots", ""].value == 3.0
        assert not pier.session.radio.rf(1)
        assert pier.session.state(1).attenuation_db == pier.session.radio.attenuation_range()[1]
        assert pier.session.radio.calibration_state(1) == "done"


def test_times_are_those_of_the_unit_to_one_look(tmp_path):
    # simulated_pier.yaml: reference_lock_time 1.2 s, calibration_time 0.3 s.
    with rig(tmp_path) as pier:
        found = by_key(pier.run("bring_up", **SETTINGS, poll="20 ms"))
        assert found["reference_lock_time", ""].value == pytest.approx(1.2, abs=0.04)
        assert found["calibration_time", ""].value == pytest.approx(0.3, abs=0.04)


def test_identities_go_into_the_record(tmp_path):
    with rig(tmp_path) as pier:
        pier.run("bring_up", **SETTINGS)
        assert pier.facts["radio model"] == "PH2-220"
        assert pier.facts["radio serial"] == "PH2-000417"
        assert pier.facts["radio firmware"] == "4.2.0"
        assert "SA-70311" in pier.facts["analyser"]


def no_reference(data):
    data["reference"]["present"] = False


def test_the_reading_of_a_failed_lock_is_not_lost(tmp_path):
    with rig(tmp_path, edit=no_reference) as pier:
        seen = {}
        with pytest.raises(MeasurementError, match="locks to its external reference"):
            for measured in pier.steps("bring_up", **SETTINGS, lock_deadline="2 s"):
                seen[measured.name] = measured
        assert seen["reference_locked"].value == 0.0
        assert "absent" in seen["reference_locked"].note


def test_calibration_can_be_left_out(tmp_path):
    with rig(tmp_path) as pier:
        names = {measured.name for measured in pier.run("bring_up", **SETTINGS, calibrate="false")}
        assert "calibrated" not in names
        assert pier.session.radio.calibration_state(1) == "none"


def test_a_carrier_outside_the_radio_is_refused_before_the_run(tmp_path):
    with rig(tmp_path) as pier:
        (found,) = pier.misfits("bring_up", channel=1, carrier="1.9 GHz", reference="external")
        assert found[0] == "carrier"
        assert "1805 MHz" in found[1] or "1.805 GHz" in found[1]


def test_the_envelope_commands_no_rf(tmp_path):
    with rig(tmp_path) as pier:
        states = [
            each.state
            for each in find("bring_up").envelope(pier.settings("bring_up", **SETTINGS), pier.bench)
        ]
        assert [state.rf_on for state in states] == [False]
