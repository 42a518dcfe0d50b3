"""A limit as written becomes numbers in the reading's unit, or a mistake that says what to write."""

import pytest
from pydantic import ValidationError

from hilkit.judgement import Limit, LimitFile, resolve_limit
from hilkit.readings import ReadingSpec

IMAGE = ReadingSpec(
    name="image", unit="dBc", meaning="image", phases=("uncorrected", "corrected"), final_phase="corrected"
)


def spec(unit, name="value"):
    return ReadingSpec(name=name, unit=unit, meaning="m")


def resolved(what, **keys):
    limit, mistakes = resolve_limit(LimitFile(**keys), what)
    assert not mistakes
    return limit


def mistake(what, **keys):
    limit, mistakes = resolve_limit(LimitFile(**keys), what)
    assert limit is None
    assert len(mistakes) == 1
    return mistakes[0]


@pytest.mark.parametrize(
    ("unit", "keys", "low", "high"),
    [
        ("dBc", {"max": "-50 dBc"}, None, -50.0),
        ("dBm", {"min": "36 dBm"}, 36.0, None),
        ("Hz", {"min": "-100 Hz", "max": "0.1 kHz"}, -100.0, 100.0),
        ("s", {"max": "250 ms"}, None, 0.25),
        ("dB", {"within": "0.25 dB"}, -0.25, 0.25),
        ("dBm", {"nominal": "37 dBm", "within": "0.5 dB"}, 36.5, 37.5),
        ("dBc", {"nominal": "-40 dBc", "within": "2 dB"}, -42.0, -38.0),
        ("1", {"max": 0}, None, 0.0),
        ("1", {"nominal": 3, "within": 1}, 2.0, 4.0),
        ("Hz", {"nominal": "1842.5 MHz", "within": "0.1 ppm"}, 1842.5e6 - 184.25, 1842.5e6 + 184.25),
    ],
)
def test_a_limit_is_converted_to_the_unit_of_the_reading(unit, keys, low, high):
    limit = resolved(spec(unit), **keys)
    assert (limit.low, limit.high) == (
        low and pytest.approx(low, abs=1e-6),
        high and pytest.approx(high, abs=1e-6),
    )


def test_the_rated_power_of_a_transmitter_may_be_given_in_watts():
    # 10 lg(5 W / 1 mW) = 36.99 dBm (common practice, no source).
    assert resolved(spec("dBm"), min="5 W").low == pytest.approx(36.9897, abs=1e-4)


@pytest.mark.parametrize(("keys", "phase"), [({}, "corrected"), ({"phase": "uncorrected"}, "uncorrected")])
def test_a_limit_applies_to_the_final_phase_unless_it_names_another(keys, phase):
    assert resolved(IMAGE, max="-50 dBc", **keys).phase == phase


def test_a_phase_that_does_not_exist_is_refused_with_the_known_ones():
    found = mistake(IMAGE, max="-50 dBc", phase="corected")
    assert (found.key, found.allowed) == ("phase", "uncorrected, corrected")


@pytest.mark.parametrize(
    ("unit", "keys", "key", "words"),
    [
        ("dBc", {"max": "-50 dB"}, "max", "dBc counts from the carrier"),
        ("dB", {"max": "-50 dBc"}, "max", "dBc counts from the carrier"),
        (
            "dBm",
            {"nominal": "10 dBm", "within": "0.5 dBm"},
            "within",
            "a distance between two levels is a ratio",
        ),
        ("dBc", {"max": -50}, "max", ""),
        ("s", {"max": "2 MHz"}, "max", ""),
        ("1", {"max": "2 dB"}, "max", ""),
        ("Hz", {"within": "0.1 ppm"}, "within", "add nominal"),
    ],
)
def test_another_unit_is_refused_with_what_to_write(unit, keys, key, words):
    found = mistake(spec(unit), **keys)
    assert found.key == key
    assert words in found.next_step
    assert found.allowed


def test_a_share_of_a_level_in_db_makes_no_sense():
    assert mistake(spec("dBm"), nominal="10 dBm", within="5 %").key == "within"


@pytest.mark.parametrize(
    ("keys", "key", "message"),
    [
        ({}, "", "has no value"),
        ({"phase": "corrected"}, "", "has no value"),
        ({"nominal": "-40 dBc"}, "nominal", "needs within"),
        ({"within": "1 dB", "max": "-40 dBc"}, "within", "not both"),
        ({"within": "-1 dB"}, "within", "above zero"),
        ({"within": "0 dB"}, "within", "above zero"),
        ({"min": "-40 dBc", "max": "-50 dBc"}, "min", "nothing could pass"),
    ],
)
def test_a_limit_that_says_nothing_or_contradicts_itself_is_refused(keys, key, message):
    found = mistake(IMAGE, **keys)
    assert found.key == key
    assert message in found.message


def test_all_mistakes_of_a_limit_come_at_once():
    _, mistakes = resolve_limit(LimitFile(min="1 s", max="2 s", phase="late"), IMAGE)
    assert [found.key for found in mistakes] == ["phase", "min", "max"]


@pytest.mark.parametrize("value", [None, True, ["-50 dBc"], {"is": 1}])
def test_a_value_is_one_text_or_number(value):
    with pytest.raises(ValidationError, match="a limit is one value"):
        LimitFile.model_validate({"max": value, "min": "-80 dBc"})


def test_a_limit_without_a_side_cannot_be_made():
    with pytest.raises(ValueError, match="at least one side"):
        Limit(unit="dB")


@pytest.mark.parametrize(
    ("keys", "text"),
    [
        ({"max": "-50 dBc"}, "max -50 dBc"),
        ({"min": "-60 dBc", "max": "-50 dBc"}, "min -60 dBc, max -50 dBc"),
        ({"nominal": "-40 dBc", "within": "2 dB"}, "within 2 dB of -40 dBc"),
        ({"within": "0.3 dB"}, "within 0.3 dB of 0 dBc"),
    ],
)
def test_a_limit_reads_as_it_was_written(keys, text):
    assert str(resolved(IMAGE, **keys)) == text
