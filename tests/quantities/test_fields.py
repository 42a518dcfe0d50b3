"""Quantities as fields of models."""

from typing import Annotated

import jsonschema
import pytest
from pydantic import BaseModel, ValidationError

from hilkit.quantities import Between, Frequency, Level, QuantityError, Ratio


class Tone(BaseModel):
    carrier: Annotated[Frequency, Between(above="0 Hz", high="6 GHz")]
    level: Level = Level(-20.0)
    loss: dict[Frequency, Ratio] = {}
    margin: Ratio | None = None


def test_fields_read_texts_and_write_them_again():
    tone = Tone.model_validate({"carrier": "2.35 GHz", "level": "1 W", "loss": {"1 GHz": "0.6 dB"}})
    assert tone.carrier == Frequency(2.35e9)
    assert tone.level == Level(30.0)
    assert tone.loss == {Frequency(1e9): Ratio(0.6)}
    assert Tone.model_validate_json(tone.model_dump_json(), strict=True) == tone
    assert tone.model_dump()["carrier"] == "2.35 GHz"


class Either(BaseModel):
    loss: Ratio | dict[Frequency, Ratio]


@pytest.mark.parametrize("loss", ["3 dB", {"1 GHz": "0.6 dB", "2 GHz": "0.9 dB"}])
def test_a_field_that_takes_a_quantity_or_a_table_writes_what_it_holds(loss):
    either = Either.model_validate({"loss": loss})
    assert either.model_dump(mode="json") == {"loss": loss}
    assert Either.model_validate_json(either.model_dump_json()) == either


def test_a_field_takes_a_quantity_that_is_one_already():
    assert Tone(carrier=Frequency(1e9)).carrier.hz == 1e9


@pytest.mark.parametrize(
    ("value", "message"),
    [
        (2.35e9, "a unit is missing: a frequency is needed here, such as 2.35 GHz"),
        (5, "a unit is missing"),
        (True, "a frequency is needed here"),
        (None, "a frequency is needed here"),
        (["1 GHz"], "a frequency is needed here"),
        ("1 s", "this is a time; a frequency is needed here"),
        ("0 Hz", "the value is out of range"),
        ("-1 Hz", "the value is out of range"),
        ("6.1 GHz", "the value is out of range"),
    ],
)
def test_a_field_refuses_what_is_no_such_text(value, message):
    with pytest.raises(ValidationError) as caught:
        Tone.model_validate({"carrier": value})
    (error,) = caught.value.errors()
    cause = error["ctx"]["error"]
    assert isinstance(cause, QuantityError)
    assert message in cause.message


@pytest.mark.parametrize(
    ("limits", "inside", "outside", "words"),
    [
        (
            Between(low="0 dB", high="31.5 dB"),
            ["0 dB", "31.5 dB"],
            ["-0.1 dB", "31.6 dB"],
            "from 0 dB up to 31.5 dB",
        ),
        (
            Between(above="0 dB", below="3 dB"),
            ["0.1 dB", "2.9 dB"],
            ["0 dB", "3 dB"],
            "above 0 dB below 3 dB",
        ),
        (Between(low="1 dB"), ["1 dB", "99 dB"], ["0.9 dB"], "from 1 dB"),
    ],
)
def test_a_range_says_what_it_allows(limits, inside, outside, words):
    for text in inside:
        assert limits.check(Ratio.parse(text)) == Ratio.parse(text)
    for text in outside:
        with pytest.raises(QuantityError) as caught:
            limits.check(Ratio.parse(text))
        assert caught.value.allowed == str(limits) == words
        assert caught.value.seen == text


def test_the_schema_checks_texts_as_an_editor_would():
    schema = Tone.model_json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    check = jsonschema.Draft202012Validator(schema).is_valid
    assert check({"carrier": "2.35 GHz", "loss": {"1 GHz": "0.6 dB"}, "level": "5 W", "margin": None})
    assert check({"carrier": "−2.35e3 kHz"})
    assert not check({"carrier": "2.35 ghz"})
    assert not check({"carrier": "2.35"})
    assert not check({"carrier": "2.35 GHz or so"})
    assert not check({"carrier": 2.35})
    carrier = schema["properties"]["carrier"]
    assert carrier["examples"] == ["2.35 GHz"]
    assert "a frequency" in carrier["description"]
    assert "above 0 Hz up to 6 GHz" in carrier["description"]
