"""A reading passes only what its value, its bound and its own checks can show."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilkit.judgement import Judgement, Limit, judge, worst
from hilkit.readings import Bound, Budget, Evidence, Reading, ReadingKey, Verdict, overall

NONE, PASS, INCONC, FAIL, ERROR = Verdict


def reading(value, unit="dBc", *, bound=Bound.EXACT, phase="", held=()):
    evidence = tuple(
        Evidence(name="overload", held=each, observed="", required="", sentence="the analyser was overloaded")
        for each in held
    )
    key = ReadingKey(step="tone_placement", name="image", phase=phase)
    exact = Budget(unit=unit, lines=())
    return Reading(key=key, value=value, unit=unit, bound=bound, evidence=evidence, budget=exact)


def limit(**sides):
    return Limit(unit="dBc", **sides)


# --- simple acceptance: JCGM 106:2012, clause 8.2 (clause number from memory): the acceptance limits are the
#     tolerance limits, and the measured value alone decides


@pytest.mark.parametrize(
    ("value", "sides", "verdict", "margin"),
    [
        (-55.0, {"high": -50.0}, PASS, 5.0),
        (-50.0, {"high": -50.0}, PASS, 0.0),
        (-49.5, {"high": -50.0}, FAIL, -0.5),
        (12.0, {"low": 10.0}, PASS, 2.0),
        (9.0, {"low": 10.0}, FAIL, -1.0),
        (10.0, {"low": 9.0, "high": 12.0}, PASS, 1.0),
        (11.5, {"low": 9.0, "high": 12.0}, PASS, 0.5),
        (8.0, {"low": 9.0, "high": 12.0}, FAIL, -1.0),
        (13.0, {"low": 9.0, "high": 12.0}, FAIL, -1.0),
    ],
)
def test_an_exact_value_is_judged_by_the_nearest_limit(value, sides, verdict, margin):
    judgement = judge(reading(value), limit(**sides))
    assert (judgement.verdict, judgement.margin) == (verdict, pytest.approx(margin))


def test_the_reason_of_a_fail_names_value_limit_and_distance():
    assert judge(reading(-47.25), limit(high=-50.0)).reason == "-47.25 dBc misses max -50 dBc by 2.75 dB"


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (-47.91785398, "-47.918 dBc misses max -50 dBc by 2.082 dB"),
        (-49.99987654, "-50 dBc misses max -50 dBc by 0.000123 dB"),
    ],
)
def test_a_reason_does_not_look_more_exact_than_the_reading(value, told):
    assert judge(reading(value), limit(high=-50.0)).reason == told


def test_rounding_of_the_numbers_does_not_miss_a_limit():
    # 0.1 + 0.2 is 0.30000000000000004 in binary floating point (IEEE 754-2019, binary64).
    judgement = judge(reading(0.1 + 0.2), limit(high=0.3))
    assert (judgement.verdict, judgement.margin) == (PASS, 0.0)


@given(st.floats(-200, 200), st.floats(-200, 200))
def test_a_pass_has_no_negative_margin_and_a_fail_has_one(value, high):
    judgement = judge(reading(value), limit(high=high))
    assert judgement.verdict in (PASS, FAIL)
    assert (judgement.verdict is FAIL) == (judgement.margin < 0)


# --- what cannot be judged


def test_a_reading_without_a_limit_has_no_verdict():
    bare = replace(reading(-55.0), budget=None)
    assert judge(bare, None) == Judgement(verdict=NONE)


def test_a_limit_on_another_phase_does_not_apply():
    final = limit(high=-50.0, phase="corrected")
    assert judge(reading(-20.0, phase="uncorrected"), final).verdict is NONE
    assert judge(reading(-20.0, phase="corrected"), final).verdict is FAIL


def test_a_limit_in_another_unit_is_a_mistake_of_the_caller():
    with pytest.raises(ValueError, match="is in dBm, its limit in dBc"):
        judge(reading(1.0, "dBm"), limit(high=0.0))


# --- bounds: common practice, no source


@pytest.mark.parametrize(
    ("bound", "value", "sides", "verdict", "margin"),
    [
        (Bound.UPPER, -60.0, {"high": -50.0}, PASS, 10.0),
        (Bound.UPPER, -50.0, {"high": -50.0}, PASS, 0.0),
        (Bound.UPPER, -45.0, {"high": -50.0}, INCONC, -5.0),
        (Bound.UPPER, -40.0, {"low": -50.0}, INCONC, None),
        (Bound.UPPER, -60.0, {"low": -50.0}, INCONC, None),
        (Bound.UPPER, -55.0, {"low": -60.0, "high": -50.0}, INCONC, 5.0),
        (Bound.LOWER, -40.0, {"low": -50.0}, PASS, 10.0),
        (Bound.LOWER, -55.0, {"low": -50.0}, INCONC, -5.0),
        (Bound.LOWER, -60.0, {"high": -50.0}, INCONC, None),
        (Bound.LOWER, -40.0, {"high": -50.0}, INCONC, None),
        (Bound.LOWER, -55.0, {"low": -60.0, "high": -50.0}, INCONC, 5.0),
    ],
)
def test_a_bound_passes_only_the_side_that_it_bounds(bound, value, sides, verdict, margin):
    judgement = judge(reading(value, bound=bound), limit(**sides))
    assert (judgement.verdict, judgement.margin) == (verdict, margin)


def test_a_bound_says_what_it_can_and_cannot_show():
    over = judge(reading(-45.0, bound=Bound.UPPER), limit(high=-50.0))
    assert over.reason == "the quantity is at most -45 dBc: that does not show that it keeps to max -50 dBc"
    other = judge(reading(-60.0, bound=Bound.UPPER), limit(low=-50.0))
    assert other.reason == "the quantity is at most -60 dBc: that cannot show that it keeps to min -50 dBc"


@given(st.floats(-200, 200), st.floats(-200, 200), st.sampled_from([Bound.UPPER, Bound.LOWER]))
def test_a_bound_never_fails_and_never_passes_a_limit_on_its_open_side(value, side, bound):
    assert judge(reading(value, bound=bound), limit(high=side)).verdict in (PASS, INCONC)
    open_side = {"low": side} if bound is Bound.UPPER else {"high": side}
    assert judge(reading(value, bound=bound), limit(**open_side)).verdict is INCONC


# --- the reading's own checks


@pytest.mark.parametrize("held", [(False,), (True, False), (None, False)])
def test_a_reading_that_fails_its_own_check_cannot_pass(held):
    judgement = judge(reading(-60.0, held=held), limit(high=-50.0))
    assert judgement.verdict is INCONC
    assert judgement.reason.startswith("the reading failed its own check: the analyser was overloaded")


@pytest.mark.parametrize("held", [(), (True,), (None,)])
def test_a_check_that_held_or_is_not_needed_leaves_the_verdict(held):
    judgement = judge(reading(-60.0, held=held), limit(high=-50.0))
    assert judgement.verdict is PASS
    assert judgement.reason == ("not checked: the analyser was overloaded" if None in held else "")


def test_a_missed_limit_is_inconclusive_when_a_check_of_the_measurement_failed():
    judgement = judge(reading(-40.0, held=(False,)), limit(high=-50.0))
    assert judgement.verdict is INCONC
    assert judgement.reason.startswith("by its number it would be fail: -40 dBc misses max")
    assert "overloaded" in judgement.reason


def checked(value, name, held):
    found = Evidence(name=name, held=held, observed="", required="", sentence="a sentence")
    return judge(replace(reading(value), evidence=(found,)), limit(high=-50.0))


@pytest.mark.parametrize("value", [-60.0, -40.0])
def test_a_check_that_is_needed_and_could_not_be_made_leaves_nothing_proven(value):
    judgement = checked(value, "more attenuation", None)
    assert judgement.verdict is INCONC
    assert "the reading is not proven: a sentence" in judgement.reason


@pytest.mark.parametrize(("value", "verdict"), [(-60.0, INCONC), (-40.0, FAIL)])
def test_a_check_of_the_unit_that_failed_forbids_a_pass_and_lets_a_fail_stand(value, verdict):
    assert checked(value, "sideband", False).verdict is verdict


# --- the worst of a series


def test_the_worst_of_a_series_is_the_verdict_that_overwrites_then_the_least_margin():
    passed = [judge(reading(value), limit(high=-50.0)) for value in (-60.0, -51.0, -55.0)]
    assert worst(passed) is passed[1]
    failed = judge(reading(-49.9), limit(high=-50.0))
    inconc = judge(reading(-30.0, bound=Bound.UPPER), limit(high=-50.0))
    assert worst([*passed, failed, inconc]) is failed
    assert worst([*passed, inconc]) is inconc


def test_the_worst_of_nothing_is_no_verdict():
    assert worst([]) == Judgement(verdict=NONE)
    assert worst([judge(reading(1.0), None)]).verdict is NONE


@given(st.lists(st.builds(Judgement, verdict=st.sampled_from(Verdict), margin=st.none() | st.floats(-9, 9))))
def test_the_worst_agrees_with_the_overwriting_rule(judgements):
    assert worst(judgements).verdict is overall(judgement.verdict for judgement in judgements)
