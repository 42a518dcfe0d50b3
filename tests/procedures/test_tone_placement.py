"""Tone placement against the truth of the simulated chain, and what it says when something is wrong."""

import pytest

from hilkit.errors import MeasurementError
from hilkit.procedures import find
from hilkit.readings import Bound
from hilkit.safety import RfState
from tests.procedures.rig import CARRIER, TONE, by_key, failed_checks, rig, series
from tests.procedures.truth import lines_dbm, relative_dbc

LINES = {"image": -1, "lo_leakage": 0, "third_harmonic": -3}
PHASES = ("uncorrected", "corrected")


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    with rig(tmp_path_factory.mktemp("night")) as pier:
        pier.bring_up()
        readings = pier.run("tone_placement", **TONE)
        yield pier, readings


@pytest.mark.parametrize("name", LINES)
def test_a_line_well_above_the_floor_is_read_to_0_1_db_of_the_truth(night, name):
    pier, readings = night
    truth = relative_dbc(pier, 1, 1.8425e9, 7.5e6)
    found = by_key(readings)[name, "corrected"]
    assert found.bound is Bound.EXACT
    assert found.value == pytest.approx(truth[LINES[name]], abs=0.1)


def test_the_tone_level_is_that_of_the_port_within_the_errors_of_path_and_analyser(night):
    pier, readings = night
    # Path uncertainties of the bench file 0.55 dB worst case, analyser errors of the profile some 0.2 dB.
    truth = lines_dbm(pier.world, 1, 7.5e6, at="port")[1]
    assert by_key(readings)["tone_level", "corrected"].value == pytest.approx(truth, abs=0.75)


def test_everything_is_read_before_and_after_the_corrections(night):
    _, readings = night
    found = by_key(readings)
    for spec in find("tone_placement").readings:
        if spec.phases:
            assert all((spec.name, phase) in found for phase in PHASES), spec.name
    assert found["image", "corrected"].value < found["image", "uncorrected"].value - 10


def test_every_reading_is_a_declared_one(night):
    _, readings = night
    for measured in readings:
        spec = find("tone_placement").spec(measured.name)
        assert measured.phase in (spec.phases or ("",))
        assert (measured.index is not None) == spec.series


def test_the_healthy_radio_fails_none_of_its_own_checks(night):
    _, readings = night
    assert [failed_checks(measured) for measured in readings if failed_checks(measured)] == []


def test_a_line_under_the_floor_is_a_bound_with_its_confidence(night):
    pier, readings = night
    found = by_key(readings)["plus_three", "corrected"]
    assert (found.bound, found.confidence) == (Bound.UPPER, 0.95)
    assert found.value > relative_dbc(pier, 1, 1.8425e9, 7.5e6)[3]


def test_the_spurious_free_range_is_the_distance_to_the_highest_other_line(night):
    _, readings = night
    found = by_key(readings)
    highest = max(found[name, "corrected"].value for name in (*LINES, "plus_three", "second_harmonic"))
    assert found["spurious_free_range", "corrected"].value == pytest.approx(-highest)
    assert found["spurious_free_range", "corrected"].trace is not None


def test_image_and_leakage_are_recorded_against_time_while_they_settle(night):
    _, readings = night
    found = by_key(readings)
    image = series(readings, "image_settling")
    times = list(image)
    assert times == sorted(times)
    assert len(times) >= 4
    assert image[times[0]] == pytest.approx(found["image", "uncorrected"].value, abs=1.0)
    assert image[times[-1]] == pytest.approx(found["image", "corrected"].value, abs=0.5)
    assert series(readings, "lo_leakage_settling").keys() == image.keys()


def test_the_corrections_time_is_the_radios_to_one_look(night):
    # simulated_pier.yaml: settle_time 1.3 s.
    _, readings = night
    found = by_key(readings)["corrections_time", ""]
    assert found.bound is Bound.EXACT
    assert 1.25 <= found.value <= 1.3 + 0.35
    assert by_key(readings)["image_settled_after", ""].value <= found.value


def test_the_frequency_error_is_read_in_a_narrow_span_with_fine_points(night):
    _, readings = night
    found = by_key(readings)["tone_frequency_error", "corrected"]
    assert abs(found.value) < 0.005 * found.trace.rbw_hz
    assert found.trace.span_hz <= 5 * found.trace.rbw_hz
    assert found.trace.spacing_hz <= found.trace.rbw_hz / 2
    assert "common to both does not show" in found.note


def test_range_and_filter_are_the_same_for_tone_and_products(night):
    _, readings = night
    found = by_key(readings)
    traces = [found[name, "corrected"].trace for name in ("tone_level", *LINES, "plus_three")]
    for what in ("attenuation_db", "reference_level_dbm", "rbw_hz", "preamplifier", "sweep_time_s"):
        assert len({getattr(trace, what) for trace in traces}) == 1, what
    assert all(trace.samples_per_point >= 150 for trace in traces)


def test_a_deeper_limit_gets_a_narrower_filter(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("tone_placement", **TONE, resolve_down_to="-80 dBc", corrections="false"))
        second = found["second_harmonic", "uncorrected"]
        truth = relative_dbc(pier, 1, 1.8425e9, 7.5e6)
        assert second.trace.rbw_hz <= 3e3
        assert second.value == pytest.approx(max(truth[2], truth[-2]), abs=0.4)
        assert ("image", "corrected") not in found


def test_a_negative_offset_puts_the_image_above_the_carrier(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        settings = {**TONE, "offset": "-7.5 MHz", "corrections": "false"}
        found = by_key(pier.run("tone_placement", **settings))
        truth = relative_dbc(pier, 1, 1.8425e9, -7.5e6)
        assert found["image", "uncorrected"].value == pytest.approx(truth[-1], abs=0.1)
        assert failed_checks(found["image", "uncorrected"]) == []


def inverted(data):
    data["radio"]["channels"]["1"]["inverted"] = True


def test_a_sideband_on_the_wrong_side_is_said_plainly_and_fails_every_reading(tmp_path):
    with rig(tmp_path, edit=inverted) as pier:
        pier.bring_up()
        readings = pier.run("tone_placement", **TONE, corrections="false")
        found = by_key(readings)
        assert found["image", "uncorrected"].value > 30
        for measured in readings:
            assert "sideband" in failed_checks(measured)
            assert "wrong side of the carrier" in measured.note
        assert found["tone_level", "uncorrected"].value < -15


def stuck(data):
    data["radio"]["channels"]["1"]["corrections"]["lowest_level"] = "10 dBm"


def test_corrections_that_do_not_settle_leave_a_lower_bound_and_a_failed_check(tmp_path):
    with rig(tmp_path, edit=stuck) as pier:
        pier.bring_up()
        settings = {**TONE, "attenuation": "20 dB", "corrections_deadline": "5 s"}
        found = by_key(pier.run("tone_placement", **settings))
        assert found["corrections_time", ""].bound is Bound.LOWER
        assert "corrections settled" in failed_checks(found["image", "corrected"])
        assert failed_checks(found["image", "uncorrected"]) == []


def test_corrections_slower_than_the_deadline_end_at_the_deadline(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        found = by_key(pier.run("tone_placement", **TONE, corrections_deadline="600 ms", poll="100 ms"))
        late = found["corrections_time", ""]
        assert late.bound is Bound.LOWER
        assert 0.6 <= late.value < 0.8
        assert "learning" in late.note


def test_a_silent_port_is_an_error_that_says_what_was_seen(tmp_path):
    def silent(data):
        data["radio"]["channels"]["1"]["amplifier"]["full_scale"] = {"1.8 GHz": "-80 dBm"}

    no_load = ("  load: {instrument: radio, read: return_loss, min: 10 dB, above: -25 dBm}\n", "")
    with rig(tmp_path, no_load, edit=silent) as pier:
        pier.bring_up()
        with pytest.raises(MeasurementError, match=r"no tone at 1850.000000 MHz.*highest line is") as caught:
            pier.run("tone_placement", **TONE)
        assert "check that RF is on" in caught.value.next_step


def test_a_level_above_the_bench_files_fails_its_check(tmp_path):
    with rig(tmp_path, ("max_level: 24 dBm", "max_level: 20 dBm")) as pier:
        pier.bring_up()
        found = by_key(pier.run("tone_placement", **TONE, corrections="false"))
        assert "predicted level" in failed_checks(found["tone_level", "uncorrected"])


def test_a_spur_that_the_tone_does_not_explain_counts_in_the_spurious_free_range(tmp_path):
    def spur(data):
        data["analysers"]["analyser"]["spurs"] = [{"frequency": "1.8611 GHz", "level": "-50 dBm"}]

    with rig(tmp_path, edit=spur) as pier:
        pier.bring_up()
        found = by_key(pier.run("tone_placement", **TONE))
        tone_dbm = found["tone_level", "corrected"].value - pier.bench.path(1).loss_db(1.85e9)
        free = found["spurious_free_range", "corrected"]
        # A residual spur is made behind the input attenuator: it reads higher by the attenuation.
        spur_dbm = -50.0 + free.trace.attenuation_db
        assert free.value == pytest.approx(tone_dbm - spur_dbm, abs=0.4)
        assert "tone does not explain" in free.note


def test_a_wrong_reference_shows_in_frequency_and_in_words(tmp_path):
    with rig(tmp_path, ("reference: external", "reference: internal")) as pier:
        pier.bring_up()
        found = by_key(pier.run("tone_placement", **TONE, corrections="false"))
        error = found["tone_frequency_error", "uncorrected"]
        # simulated_pier.yaml: the analyser's own reference is 0.3 ppm low, the house reference 2 ppb high.
        assert error.value == pytest.approx(0.302e-6 * 1.85e9, abs=20.0)
        assert "analyser's internal reference" in error.note


@pytest.mark.parametrize(
    ("settings", "setting", "words"),
    [
        ({"offset": "0 Hz"}, "offset", "fall 0 kHz apart"),
        ({"offset": "100 kHz"}, "offset", "use a larger offset"),
        ({"offset": "12 MHz"}, "offset", "third harmonic, line at \\+3 would leave the band"),
        ({"offset": "7.5 MHz", "analysed_band": "40 MHz"}, "offset", "at most 6.66667 MHz"),
        ({"analysed_band": "90 MHz"}, "analysed_band", "wider than the 60 MHz"),
        ({"carrier": "1700 MHz"}, "carrier", "cannot be tuned"),
    ],
)
def test_what_cannot_work_is_refused_without_touching_anything(tmp_path, settings, setting, words):
    with rig(tmp_path) as pier:
        found = pier.misfits("tone_placement", **{**TONE, **settings})
        assert setting in [name for name, _ in found]
        before = pier.session.clock.now()
        with pytest.raises(MeasurementError, match=words):
            pier.run("tone_placement", **{**TONE, **settings})
        assert pier.session.clock.now() == before


def test_a_path_without_loss_in_the_band_is_refused(tmp_path):
    change = (
        "{1 GHz: 0.6 dB, 2 GHz: 0.9 dB, 3 GHz: 1.1 dB}",
        "{1.82 GHz: 0.9 dB, 1.86 GHz: 0.9 dB, 2.5 GHz: 1 dB}",
    )
    with rig(tmp_path, change) as pier:
        (found,) = pier.misfits("tone_placement", **TONE)
        assert "is known from 1820" in found[1]


def test_other_channels_are_silent_while_one_is_read(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up(channel=2)
        pier.bring_up()
        pier.session.select(1)
        other = RfState(channel=2, carrier_hz=1.8425e9, attenuation_db=10.0, tone_offset_hz=5e6)
        pier.session.rf(other)
        pier.run("tone_placement", **TONE, corrections="false")
        assert not pier.session.radio.rf(2)
        assert pier.session.radio.rf(1)


def test_the_pad_is_set_from_the_predicted_level_and_its_loss_counts(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        plain = by_key(pier.run("tone_placement", **TONE, corrections="false"))
        padded = by_key(pier.run("tone_placement", **TONE, corrections="false", pad="10 dB"))
        assert pier.session.state(1).pad_db == 10.0
        # The pad's own error, 0.1 dB standard deviation in the profile, is all that may differ.
        difference = padded["tone_level", "uncorrected"].value - plain["tone_level", "uncorrected"].value
        assert abs(difference) < 0.5


def test_a_pad_setting_that_the_attenuator_lacks_is_refused(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up()
        with pytest.raises(MeasurementError, match="is needed at 70 dB"):
            pier.run("tone_placement", **TONE, pad="70 dB")


def test_the_envelope_is_what_is_commanded_and_its_first_state_is_left(tmp_path, monkeypatch):
    with rig(tmp_path) as pier:
        pier.bring_up()
        settings = pier.settings("tone_placement", **TONE, corrections="false")
        commanded = []
        apply = pier.session.gate.apply
        monkeypatch.setattr(
            pier.session.gate, "apply", lambda state: (commanded.append(state), apply(state))[1]
        )
        exposures = [each.state for each in find("tone_placement").envelope(settings, pier.bench)]
        list(find("tone_placement").measure(pier.session, settings))
        assert set(commanded) == set(exposures)
        assert pier.session.state(1) == exposures[0]


def test_the_offset_may_be_read_at_the_upper_band_too(tmp_path):
    with rig(tmp_path) as pier:
        pier.bring_up(carrier="2350 MHz")
        found = by_key(pier.run("tone_placement", **{**TONE, "carrier": "2350 MHz"}))
        truth = relative_dbc(pier, 1, 2.35e9, 7.5e6)
        assert found["image", "corrected"].value == pytest.approx(truth[-1], abs=0.1)


def test_the_choice_of_the_filter_is_told(night):
    pier, _ = night
    assert any("to be resolved down to -60 dBc" in note for note in pier.notes)
    assert TONE["carrier"] == CARRIER
