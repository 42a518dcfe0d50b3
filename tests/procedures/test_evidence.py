"""Every kind of self-check is caught where a bench provokes it, and counts as the table says."""

from __future__ import annotations

import os
import secrets
from dataclasses import replace

import numpy as np
import pytest

from hilkit.judgement import SELF_CHECKS, Limit, judge
from hilkit.procedures import find
from hilkit.procedures.evidence.attenuation import Setting, Steps, left_over_db, search
from hilkit.procedures.evidence.drive import classified
from hilkit.procedures.evidence.floor import floor_check, floor_text
from hilkit.readings import Bound, Evidence, Measured, Reading, ReadingKey, Trace, Verdict
from tests.procedures.drawn import drawn_profile
from tests.procedures.evidence_profiles import (
    CORRECTED,
    DEEP,
    FAILED,
    FAILED_TOO,
    MISSING,
    SINGLE,
    SWEEP,
    TONES,
    Case,
    analyser,
    channel,
)
from tests.procedures.rig import CARRIER, TONE, by_key, failed_checks, load_pier, rig
from tests.procedures.truth import relative_dbc

ALWAYS_POSSIBLE = {
    # The lines that these need are there whenever there is a reading at all.
    "sideband",
    "predicted level",
    "distance to the floor",
    "settled",
    "drift",
    "corrections settled",
    "small-signal line",
    "no line in the noise",
}
STREAM = {
    "channel": 1,
    "carrier": CARRIER,
    "waveform": "nr20",
    "bandwidth": "20 MHz",
    "attenuation": "0 dB",
}
MOVED = {**TONE, "to": "1862.5 MHz"}
# The one decides nothing, the other is the name of a check that could not be made.
CANNOT_FAIL = {"less drive", "more attenuation, deep line"}


def run(folder, case: Case) -> list[Measured]:
    changes = list(case.bench)
    if case.without:
        drivers = folder / "drivers"
        drivers.mkdir()
        dropped = "\n".join(f"  {name}: null" for name in case.without)
        (drivers / "deaf_analyser.yaml").write_text(
            "driver: deaf_analyser\nbase: signal_analyser\ninstrument_class: signal_analyser\n"
            f"summary: analyser that cannot tell all of its states\ncapabilities:\n{dropped}\n",
            encoding="utf-8",
        )
        changes.append(("driver: signal_analyser\n", "driver: deaf_analyser\n"))
    with rig(folder, *changes, edit=case.edit) as pier:
        pier.run("bring_up", channel=1, carrier=CARRIER, reference="internal" if case.lonely else "external")
        found = []
        for measured in pier.steps(case.procedure, **case.settings):
            found.append(measured)
            if measured.name == case.after:
                case.between(pier)
        return found


def check_of(case: Case, readings: list[Measured], name: str) -> Evidence:
    measured = by_key(readings)[case.reading]
    return next(each for each in measured.evidence if each.name == name)


def verdict_of(case: Case, measured: Measured) -> Verdict:
    """Judge a reading against a limit that its number keeps."""
    spec = find(case.procedure).spec(measured.name)
    reading = Reading(
        key=ReadingKey(step="s", name=measured.name, phase=measured.phase),
        value=measured.value,
        unit=spec.unit,
        bound=measured.bound,
        evidence=measured.evidence,
    )
    limit = Limit(high=measured.value + 1.0, unit=spec.unit, phase=measured.phase)
    return judge(reading, limit).verdict


@pytest.mark.parametrize("name", FAILED)
def test_a_check_that_fails_is_told_in_plain_words_and_its_reading_cannot_pass(tmp_path, name):
    case = FAILED[name]
    readings = run(tmp_path, case)
    found = check_of(case, readings, name)
    assert found.held is False, found
    assert case.words in found.sentence
    assert verdict_of(case, by_key(readings)[case.reading]) is Verdict.INCONC


@pytest.mark.parametrize(
    ("name", "case"), FAILED_TOO, ids=[f"{name}, {case.reading[0]}" for name, case in FAILED_TOO]
)
def test_a_check_that_fails_shows_on_every_reading_that_rests_on_it(tmp_path, name, case):
    *_, last = (each for each in run(tmp_path, case) if (each.name, each.phase) == case.reading)
    (found,) = [each for each in last.evidence if each.name == name]
    assert found.held is False, found
    assert case.words in found.sentence
    assert verdict_of(case, last) is Verdict.INCONC


def test_a_level_tells_of_its_own_sweep_alone(tmp_path):
    """The tone overloads the analyser at the highest points, and no longer some dB further down."""
    case = Case(words="", reading=("level", ""), edit=analyser(mixer_overload="-26 dBm"))
    case = replace(case, procedure="power_sweep", settings=SWEEP)
    levels = [each for each in run(tmp_path, case) if each.name == "level"]
    assert failed_checks(levels[0]) == ["overload"]
    assert failed_checks(levels[-1]) == []


def test_a_level_behind_a_move_of_the_pad_rests_on_the_sweeps_that_measured_the_move(tmp_path):
    """With less pad the tone overloads the analyser at the overlap, and not at the last point."""
    moves = {**SWEEP, "to": "20 dB", "pad": "20 dB", "usable_range": "10 dB"}
    case = Case(words="", reading=("level", ""), edit=analyser(mixer_overload="-36 dBm"))
    case = replace(case, procedure="power_sweep", settings=moves)
    levels = {each.index: each for each in run(tmp_path, case) if each.name == "level"}
    assert failed_checks(levels[10.0]) == []
    assert failed_checks(levels[20.0]) == ["overload"]


@pytest.mark.parametrize("name", MISSING)
def test_a_check_that_cannot_be_made_says_so_and_counts_as_the_table_says(tmp_path, name):
    case = MISSING[name]
    readings = run(tmp_path, case)
    found = check_of(case, readings, name)
    assert found.held is None, found
    assert case.words in found.sentence
    measured = by_key(readings)[case.reading]
    unit = find(case.procedure).spec(measured.name).unit
    if failed_checks(measured) or SELF_CHECKS[name].needed_by(unit):
        assert verdict_of(case, measured) is Verdict.INCONC
    else:
        assert verdict_of(case, measured) is Verdict.PASS


def test_every_kind_is_provoked_in_every_state_that_physics_allows():
    assert set(FAILED) == set(SELF_CHECKS) - CANNOT_FAIL
    assert set(MISSING) == set(SELF_CHECKS) - ALWAYS_POSSIBLE
    for kind in SELF_CHECKS.values():
        assert kind.proves
        assert kind.why


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    with rig(
        tmp_path_factory.mktemp("clean"), edit=channel("modulator", square_i=0.01, square_q=-0.008)
    ) as pier:
        pier.bring_up()
        return [
            *pier.run("tone_placement", **CORRECTED),
            *pier.run("power_sweep", **SWEEP),
            *pier.run("retune", **MOVED),
            *pier.run("channel_power", **STREAM),
            *pier.run("intermodulation", **TONES),
            *pier.run("compression", **SINGLE),
            *pier.run("phase_noise", **SINGLE),
        ]


def test_every_kind_holds_on_a_clean_bench(clean):
    held = {each.name for measured in clean for each in measured.evidence if each.held}
    assert held == set(SELF_CHECKS) - {"more attenuation, deep line"}
    assert [each for measured in clean for each in measured.evidence if not each.held] == []


def test_every_name_of_a_check_is_in_the_table(clean):
    assert {each.name for measured in clean for each in measured.evidence} <= set(SELF_CHECKS)


def test_a_product_of_the_unit_stays_with_more_attenuation_and_its_rest_is_in_the_budget(clean):
    second = by_key(clean)["second_harmonic", "corrected"]
    assert second.bound is Bound.EXACT
    (rest,) = [line for line in second.budget.lines if line.quantity == "analyser's own product"]
    assert 0 < rest.half_width < 0.5


def test_the_third_harmonic_is_classified_as_the_modulators_cubic(clean):
    third = by_key(clean)["third_harmonic", "corrected"]
    found = next(each for each in third.evidence if each.name == "less drive")
    assert "classified as cubic of the modulator" in found.sentence


def test_a_setting_with_less_of_the_analysers_product_is_found_and_read(tmp_path):
    """The analyser adds to the unit's product at first; what is read is a setting where it does not."""

    def both(data):
        analyser(intercept="-6 dBm")(data)
        channel("modulator", square_i=0.008, square_q=-0.006)(data)

    with rig(tmp_path, edit=both) as pier:
        pier.bring_up()
        second = by_key(pier.run("tone_placement", **DEEP))["second_harmonic", "uncorrected"]
        truth = relative_dbc(pier, 1, 1.8425e9, 7.5e6)
    assert second.value == pytest.approx(max(truth[2], truth[-2]), abs=0.4)
    found = next(each for each in second.evidence if each.name == "more attenuation")
    assert found.held, found
    assert "own product changed it by" in found.sentence
    assert second.trace.attenuation_db > 6


# --- the search itself, on numbers


def products(ratio, phase_deg):
    """The unit's product with one of the analyser at ``ratio`` of it, falling by 2 dB in dBc for each dB.

    Third order: two generators' products against attenuation, common practice; the table "DUT IM3 -60dBc" of
    the sheet of attainable accuracy gives -51.75, -58.73, -59.86 for 180 deg at 0, 10, 20 dB.
    """

    def read(attenuation_db, share):
        own = ratio * 10 ** (-attenuation_db / 10) * np.exp(1j * np.radians(phase_deg))
        level_db = 20 * np.log10(abs(1 + own)) - 60
        return Setting(attenuation_db=attenuation_db, level_db=float(level_db), sd_db=0.05 / np.sqrt(share))

    return read


STEPS = Steps(first_db=0.0, step_db=10.0, most=3, rbw_hz=1e3)


def test_a_product_in_antiphase_that_two_settings_do_not_show_is_seen_by_the_third():
    """At 1.82 times the unit's product, opposed, 0 and 10 dB of attenuation read the same level."""
    settings = search(products(20 / 11, 180.0), STEPS)
    assert abs(settings[1].level_db - settings[0].level_db) < 0.01
    assert abs(settings[2].level_db - settings[1].level_db) > 1
    assert len(settings) == 4


def test_the_search_ends_where_the_floor_does():
    settings = search(products(300.0, 0.0), STEPS)
    assert [each.attenuation_db for each in settings] == [0.0, 10.0, 20.0, 30.0]


@pytest.mark.parametrize("phase_deg", [0.0, 90.0, 180.0])
@pytest.mark.parametrize("ratio", [0.01, 0.1, 0.5, 1.5, 3.0])
def test_what_is_left_of_the_analysers_product_covers_the_truth(ratio, phase_deg):
    settings = search(products(ratio, phase_deg), STEPS)
    for chosen in settings:
        assert abs(chosen.level_db + 60) <= left_over_db(settings, chosen) + 1e-3


@pytest.mark.parametrize(
    ("change_db", "words"),
    [(-6.0, "cubic"), (-3.0, "second order"), (0.1, "as an image does"), (3.0, "does not follow the drive")],
)
def test_the_order_of_a_line_follows_from_3_db_less_drive(change_db, words):
    assert words in classified(change_db)


def test_a_floor_that_was_taken_off_logarithms_fails_its_check():
    trace = Trace(
        frequency_hz=np.linspace(1e9, 1.001e9, 11),
        level_dbm=np.full(11, -80.0),
        rbw_hz=1e4,
        noise_bandwidth_hz=1.06e4,
        detector="sample",
        average_type="log",
        averages=10,
        sweep_time_s=0.1,
        attenuation_db=10.0,
        reference_level_dbm=0.0,
    )
    assert floor_check(20.0, Bound.EXACT, trace, name="the image").held is False


# --- no false alarm


def alarms(folder, seed: int) -> list[str]:
    """Return every check that does not hold on a clean bench drawn from the bench file's own figures."""
    rng = np.random.default_rng(seed)
    folder.mkdir()
    data = drawn_profile(rng, load_pier(folder))
    with rig(folder, edit=lambda shipped: shipped.update(data), seed=seed) as pier:
        pier.bring_up()
        readings = [
            *pier.run("tone_placement", **CORRECTED),
            *pier.run("power_sweep", **SWEEP),
            *pier.run("channel_power", **STREAM),
            *pier.run("retune", **MOVED),
        ]
    return [
        f"seed {seed}: {measured.name} {measured.phase}: {each.sentence}"
        for measured in readings
        for each in measured.evidence
        if not each.held
    ]


def fresh_seeds(count: int) -> list[int]:
    root = int(os.environ.get("HILKIT_SEED") or secrets.randbelow(2**31))
    print(f"seeds drawn from HILKIT_SEED={root}")
    return [int(each) for each in np.random.default_rng(root).integers(1, 2**31, count)]


def test_5_clean_benches_raise_no_alarm(tmp_path):
    assert [alarm for seed in fresh_seeds(5) for alarm in alarms(tmp_path / str(seed), seed)] == []


@pytest.mark.long
def test_200_clean_benches_raise_no_alarm(tmp_path):
    assert [alarm for seed in fresh_seeds(200) for alarm in alarms(tmp_path / str(seed), seed)] == []


def test_a_bound_below_the_floor_is_not_said_to_be_above_it():
    assert floor_text(-12.14) == "12.1 dB below the floor"
    assert floor_text(12.14) == "12.1 dB above the floor"
