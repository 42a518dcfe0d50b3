"""Retune: the move, its proof, and what a missing calibration or a restart looks like."""

import pytest

from hilkit.errors import BenchError, MeasurementError
from hilkit.procedures import find
from hilkit.procedures.moving import ramp_db
from hilkit.readings import Bound
from tests.procedures.rig import CARRIER, TONE, by_key, failed_checks, rig
from tests.procedures.truth import relative_dbc

SETTINGS = {**TONE, "to": "1862.5 MHz"}


@pytest.fixture(scope="module")
def moved(tmp_path_factory):
    with rig(tmp_path_factory.mktemp("moved")) as pier:
        pier.bring_up()
        readings = pier.run("retune", **SETTINGS)
        yield pier, by_key(readings), readings


def test_the_unit_ends_at_the_new_carrier_with_a_good_image(moved):
    pier, found, _ = moved
    truth = relative_dbc(pier, 1, 1.8625e9, 7.5e6)
    assert pier.session.radio.carrier(1) == 1.8625e9
    assert found["image", "corrected"].value == pytest.approx(truth[-1], abs=0.1)
    assert found["lo_leakage", "corrected"].value == pytest.approx(truth[0], abs=0.1)


def test_the_carrier_is_where_it_should_be(moved):
    _, found, _ = moved
    assert abs(found["carrier_error", ""].value) < 5.0
    assert "reference" in found["carrier_error", ""].note


def test_the_level_is_as_before(moved):
    _, found, _ = moved
    assert abs(found["level_change", ""].value) < 0.3


def test_the_old_frequency_is_quiet(moved):
    _, found, _ = moved
    assert found["old_frequency_level", ""].value < -80
    assert found["old_frequency_level", ""].bound is Bound.UPPER


def test_times_are_those_of_the_unit_to_one_look(moved):
    # simulated_pier.yaml: lock_time 60 ms, calibration_time 0.3 s, settle_time 1.3 s.
    _, found, _ = moved
    assert 0.06 <= found["lock_time", ""].value <= 0.06 + 0.06
    assert 0.3 <= found["calibration_time", ""].value <= 0.3 + 0.06
    assert found["ready_after", ""].value > found["lock_time", ""].value + found["calibration_time", ""].value
    assert found["ready_after", ""].value < 1.0
    assert 1.25 <= found["corrections_time", ""].value <= 1.45


def test_the_unit_was_not_reset(moved):
    _, found, _ = moved
    assert found["resets", ""].value == 0.0


def test_every_reading_is_declared_and_passes_its_own_checks(moved):
    _, _, readings = moved
    for measured in readings:
        spec = find("retune").spec(measured.name)
        assert measured.phase in (spec.phases or ("",))
        assert failed_checks(measured) == []


def test_rf_is_down_while_the_carrier_moves_and_the_level_ramps_up(tmp_path, monkeypatch):
    with rig(tmp_path) as pier:
        pier.bring_up()
        states = []
        apply = pier.session.gate.apply
        monkeypatch.setattr(pier.session.gate, "apply", lambda state: (states.append(state), apply(state))[1])
        pier.run("retune", **SETTINGS)
        moves = [state for state in states if state.carrier_hz == 1.8625e9]
        down = [state for state in states if state.carrier_hz == 1.8425e9][1:]
        assert [(state.rf_on, state.attenuation_db, state.tone_offset_hz) for state in down] == [
            (True, 31.5, 7.5e6),
            (False, 31.5, None),
        ]
        assert (moves[0].rf_on, moves[0].attenuation_db, moves[0].tone_offset_hz) == (False, 31.5, None)
        assert [state.attenuation_db for state in moves[1:7]] == [31.5, 30.0, 24.0, 18.0, 12.0, 6.0]


def test_without_its_calibration_the_image_is_visibly_bad(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        with_it = by_key(pier.run("retune", **SETTINGS))
        back = {**TONE, "carrier": "1862.5 MHz", "to": "1842.5 MHz"}
        without = by_key(pier.run("retune", **back, recalibrate="false"))
        assert ("calibration_time", "") not in without
        assert without["image", "uncorrected"].value > with_it["image", "uncorrected"].value + 10
        assert without["image", "corrected"].value > -35
        assert "corrections settled" in failed_checks(without["image", "corrected"])


def test_a_restart_in_the_middle_is_counted_even_though_the_step_cannot_end(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        seen = {}
        with pytest.raises(BenchError):
            for measured in pier.steps("retune", **SETTINGS):
                seen[measured.name] = measured
                if measured.name == "ready_after":
                    pier.world.radio.handle_line("reboot")
                    pier.session.clock.sleep(6.0)
        assert seen["resets"].value == 1.0
        assert "boot counter +1" in seen["resets"].note
        assert pier.session.state(1) is None


def test_the_analyser_keeps_one_range_for_both_carriers(tmp_path, monkeypatch):
    # More loss in the other band: by its own level, that carrier would be read with less input attenuation.
    further = ("{1.7 GHz: 20.1 dB, 2.5 GHz: 19.8 dB}", "{1.7 GHz: 20.1 dB, 2.5 GHz: 28 dB}")
    with rig(tmp_path, further) as pier:
        pier.bring_up()
        analyser, setups = pier.session.analyser, []
        configure = analyser.configure
        monkeypatch.setattr(analyser, "configure", lambda setup: (setups.append(setup), configure(setup))[1])
        pier.run("retune", **{**TONE, "to": "2350 MHz"})
        assert len({(setup.attenuation_db, setup.reference_level_dbm) for setup in setups}) == 1


def test_a_move_to_another_band_uses_the_loss_at_each_frequency(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("retune", **{**TONE, "to": "2350 MHz"}))
        # simulated_pier.yaml: full scale 23.7 dBm at 1.8 GHz, 23.4 dBm at 2.4 GHz; the rest: path, analyser.
        assert found["level_change", ""].value == pytest.approx(-0.25, abs=0.6)


@pytest.mark.parametrize(
    ("settings", "setting", "words"),
    [
        ({"to": CARRIER}, "to", "where the carrier is already"),
        ({"to": "1850 MHz"}, "to", "nobody could tell"),
        ({"to": "2.2 GHz"}, "to", "cannot be tuned"),
        ({"offset": "11 MHz"}, "offset", "would leave the band"),
    ],
)
def test_what_cannot_be_proved_is_refused(tmp_path, settings, setting, words):
    with rig(tmp_path) as pier:
        found = pier.misfits("retune", **{**SETTINGS, **settings})
        assert any(name == setting and words in text for name, text in found)
        with pytest.raises(MeasurementError, match=words):
            pier.run("retune", **{**SETTINGS, **settings})


def test_the_envelope_holds_the_highest_state_at_both_carriers(tmp_path):
    with rig(tmp_path) as pier:
        exposures = list(find("retune").envelope(pier.settings("retune", **SETTINGS), pier.bench))
        highest = [exposure.state for exposure in exposures if exposure.state.attenuation_db == 6.0]
        assert {state.carrier_hz for state in highest} == {1.8425e9, 1.8625e9}
        assert all(exposure.expected_s > 0 for exposure in exposures)


@pytest.mark.parametrize(
    ("target", "ramp"),
    [(6.0, (31.5, 30.0, 24.0, 18.0, 12.0, 6.0)), (31.5, (31.5,)), (31.0, (31.5, 31.0)), (40.0, (40.0,))],
)
def test_the_ramp_rises_in_steps_of_at_most_6_db(target, ramp):
    assert ramp_db(31.5, target, 6.0) == ramp
