"""The power sweep recovers the errors of the radio's attenuator in spite of those of the pad."""

import numpy as np
import pytest

from hilkit.errors import MeasurementError
from hilkit.procedures import find
from hilkit.procedures.segments import points_db, segments_of
from hilkit.readings import Bound
from tests.procedures.rig import CARRIER, by_key, failed_checks, rig, series
from tests.procedures.truth import lines_dbm

SETTINGS = {
    "channel": 1,
    "carrier": CARRIER,
    "offset": "7.5 MHz",
    "from": "0 dB",
    "to": "31 dB",
    "step": "1 dB",
}


def true_levels(pier, attenuations):
    """Return the level at the port for each attenuation, from the chain itself, long after each change."""
    levels = []
    for attenuation in attenuations:
        pier.connected.radio.set_attenuation(1, attenuation)
        pier.session.clock.sleep(0.1)
        levels.append(lines_dbm(pier.world, 1, 7.5e6, at="port", samples=1 << 12)[1])
    return np.array(levels)


@pytest.mark.parametrize(
    "pads", [{}, {"pad": "20 dB", "usable_range": "12 dB"}], ids=["one pad setting", "pad moves twice"]
)
def test_step_errors_are_the_radios_to_0_02_db(tmp_path, pads):
    with rig(tmp_path) as pier:
        pier.bring_up()
        readings = pier.run("power_sweep", **SETTINGS, **pads)
        level = series(readings, "level")
        truth = true_levels(pier, level)
        attenuations = np.array(list(level))
        assert list(series(readings, "step_error").values()) == pytest.approx(
            np.diff(truth) + np.diff(attenuations), abs=0.02
        )
        assert list(series(readings, "cumulative_error").values()) == pytest.approx(
            truth - truth[0] + attenuations - attenuations[0], abs=0.03
        )
        assert [failed_checks(measured) for measured in readings if failed_checks(measured)] == []


def test_the_pad_stays_where_the_range_allows_it(tmp_path):
    with rig(tmp_path) as pier:
        settings = pier.settings("power_sweep", **SETTINGS)
        exposures = find("power_sweep").envelope(settings, pier.bench)
        states = [exposure.state for exposure in exposures if exposure.state.rf_on]
        assert {state.pad_db for state in states} == {0.0}
        assert [state.attenuation_db for state in states] == list(range(32))


def test_where_the_pad_moves_its_measured_step_is_told(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        readings = pier.run("power_sweep", **SETTINGS, pad="20 dB", usable_range="20 dB")
        assert "pad moved 1 times, measured +20." in by_key(readings)["monotonicity", ""].note or (
            "pad moved 1 times, measured +19." in by_key(readings)["monotonicity", ""].note
        )


def test_the_sweep_may_run_towards_full_power(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        readings = pier.run("power_sweep", **{**SETTINGS, "from": "20 dB", "to": "0 dB", "step": "4 dB"})
        level = series(readings, "level")
        assert list(level) == [20.0, 16.0, 12.0, 8.0, 4.0, 0.0]
        assert list(level.values()) == sorted(level.values())
        assert by_key(readings)["monotonicity", ""].value > 3.5
        assert by_key(readings)["range_covered", ""].value == pytest.approx(20.0, abs=0.3)


def test_the_first_point_read_again_shows_the_drift(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("power_sweep", **SETTINGS))
        assert abs(found["return_drift", ""].value) < 0.05


def test_an_attenuator_that_goes_the_wrong_way_is_not_monotonic(tmp_path):
    def coarse(data):
        data["radio"]["channels"]["1"]["attenuator"] = {"error_sd": "2 dB", "error_bound": "3 dB"}

    with rig(tmp_path, edit=coarse) as pier:
        pier.bring_up()
        found = by_key(pier.run("power_sweep", **{**SETTINGS, "to": "20 dB", "step": "0.5 dB"}))
        assert found["monotonicity", ""].value < 0


def test_a_range_that_reaches_the_noise_is_a_bound_and_a_failed_check(tmp_path):
    def noisy(data):
        data["analysers"]["analyser"]["noise_density"] = "-88 dBm/Hz"

    with rig(tmp_path, edit=noisy) as pier:
        pier.bring_up()
        readings = pier.run("power_sweep", **SETTINGS)
        levels = [measured for measured in readings if measured.name == "level"]
        assert levels[-1].bound is Bound.UPPER
        assert "distance to the floor" in failed_checks(by_key(readings)["monotonicity", ""])


def test_the_analyser_is_configured_once_and_then_only_swept(tmp_path, monkeypatch):
    with rig(tmp_path) as pier:
        pier.bring_up()
        analyser = pier.session.analyser
        calls = []
        configure, acquire = analyser.configure, analyser.acquire
        monkeypatch.setattr(
            analyser, "configure", lambda setup: (calls.append("configure"), configure(setup))[1]
        )
        monkeypatch.setattr(analyser, "acquire", lambda: (calls.append("acquire"), acquire())[1])
        pier.run("power_sweep", **SETTINGS)
        last = len(calls) - calls[::-1].index("configure")
        # One sweep draws the filter, one a point, one the return to the start.
        assert calls[last:] == ["acquire"] * (1 + 32 + 1)
        assert calls[:last].count("configure") == 2


def test_a_level_is_recorded_before_the_next_point_is_read(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        steps = pier.steps("power_sweep", **SETTINGS)
        first = next(steps)
        assert (first.name, first.index) == ("level", 0.0)
        assert pier.session.state(1).attenuation_db == 0.0


@pytest.mark.parametrize(
    ("settings", "setting", "words"),
    [
        ({"step": "0.7 dB"}, "step", "do not end at 31 dB"),
        ({"to": "0 dB"}, "to", "no step to measure"),
        ({"step": "0.01 dB"}, "step", "more than the 1000"),
        ({"offset": "0 Hz"}, "offset", "must be off the carrier"),
        ({"offset": "31 MHz"}, "offset", "at most half of the 60 MHz"),
        ({"carrier": "2.2 GHz"}, "carrier", "cannot be tuned"),
    ],
)
def test_what_cannot_work_is_refused(tmp_path, settings, setting, words):
    with rig(tmp_path) as pier:
        found = pier.misfits("power_sweep", **{**SETTINGS, **settings})
        assert any(name == setting and words in text for name, text in found)
        with pytest.raises(MeasurementError, match=words):
            pier.run("power_sweep", **{**SETTINGS, **settings})


def test_points_run_in_both_directions():
    assert points_db(0.0, 3.0, 1.0) == (0.0, 1.0, 2.0, 3.0)
    assert points_db(1.5, 0.0, 0.5) == (1.5, 1.0, 0.5, 0.0)


def test_each_part_begins_with_the_last_point_of_the_one_before():
    parts = segments_of(points_db(0.0, 30.0, 5.0), pad_db=25.0, usable_range_db=10.0)
    assert [(part.pad_db, part.attenuations_db) for part in parts] == [
        (25.0, (0.0, 5.0, 10.0)),
        (15.0, (10.0, 15.0, 20.0)),
        (5.0, (20.0, 25.0, 30.0)),
    ]


def test_a_pad_that_cannot_come_down_further_ends_the_moves():
    parts = segments_of(points_db(0.0, 30.0, 5.0), pad_db=8.0, usable_range_db=10.0)
    assert [part.pad_db for part in parts] == [8.0, 0.0]
    assert parts[1].attenuations_db == (10.0, 15.0, 20.0, 25.0, 30.0)


def test_without_a_pad_there_is_one_part():
    assert len(segments_of(points_db(0.0, 30.0, 5.0), pad_db=0.0, usable_range_db=1.0)) == 1
