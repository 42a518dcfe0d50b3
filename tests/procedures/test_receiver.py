"""The analyser's doubts travel with the readings."""

import pytest

from hilkit.instruments import AnalyserStatus
from hilkit.procedures.receiver import checks, with_evidence
from hilkit.readings import Evidence, Measured
from tests.procedures.rig import TONE, by_key, failed_checks, rig


def status(**changes):
    good = {"overload": False, "uncalibrated_sweep": False, "reference_locked": True}
    return AnalyserStatus(**{**good, **changes})


@pytest.mark.parametrize(
    ("changes", "failed"),
    [
        ({}, []),
        ({"overload": True}, ["overload"]),
        ({"uncalibrated_sweep": True}, ["calibrated sweep"]),
        ({"reference_locked": False}, ["reference lock"]),
    ],
)
def test_each_doubt_is_a_check_that_failed(changes, failed):
    assert [each.name for each in checks(status(**changes)) if not each.held] == failed


def test_what_the_analyser_cannot_tell_is_not_available():
    assert [each.held for each in checks(status(overload=None))] == [None, True, True]


def test_a_check_that_failed_once_stays_failed():
    held = Evidence(name="overload", held=True, observed="", required="", sentence="fine")
    broken = Evidence(name="overload", held=False, observed="", required="", sentence="overloaded")
    for order in ((held, broken), (broken, held)):
        assert failed_checks(with_evidence(Measured(name="x", value=1.0), order)) == ["overload"]


def test_a_reference_that_is_not_there_fails_the_check_of_every_reading(tmp_path):
    def absent(data):
        data["reference"]["present"] = False

    with rig(tmp_path, edit=absent) as pier:
        pier.run("bring_up", channel=1, carrier=TONE["carrier"], reference="internal")
        readings = pier.run("tone_placement", **TONE, corrections="false")
        assert "reference lock" in failed_checks(by_key(readings)["tone_level", "uncorrected"])


def test_an_overloaded_input_fails_the_check(tmp_path):
    def weak(data):
        data["analysers"]["analyser"]["mixer_overload"] = "-40 dBm"

    with rig(tmp_path, edit=weak) as pier:
        pier.bring_up()
        readings = pier.run("tone_placement", **TONE, corrections="false")
        assert "overload" in failed_checks(by_key(readings)["image", "uncorrected"])
