"""``$name`` stands for a value, ``+`` and ``-`` join quantities, and there is nothing else."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilkit.plans.substitute import SubstitutionError, names_in, resolve, substitute
from hilkit.quantities import Frequency, Level, Ratio, parse

VALUES = {"carrier": "2350 MHz", "channel": 2, "level": "10 dBm", "filter": "wide", "on": True}


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("$channel", 2),
        ("$carrier", "2350 MHz"),
        (" $filter ", "wide"),
        ("$on", True),
        ("nr20", "nr20"),
        ("-3 dB", "-3 dB"),
    ],
)
def test_a_name_alone_is_the_value_itself_and_other_text_stays(text, value):
    assert substitute(text, VALUES) == value
    assert type(substitute(text, VALUES)) is type(value)


@pytest.mark.parametrize(
    ("text", "quantity"),
    [
        ("$carrier + 20 MHz", Frequency(2.37e9)),
        ("2.4 GHz - $carrier", Frequency(50e6)),
        ("$carrier - 5 MHz + 250 kHz", Frequency(2.34525e9)),
        ("1842.5 MHz + 20 MHz", Frequency(1.8625e9)),
        ("$level - 3 dB", Level(7.0)),
        ("$level - -20 dBm", Ratio(30.0)),
        ("-20 dBm + $gain", Level(-6.0)),
    ],
)
def test_a_sum_of_quantities_is_worked_out(text, quantity):
    assert parse(substitute(text, {**VALUES, "gain": "14 dB"})) == quantity


@given(st.integers(1, 10**10), st.integers(-(10**10), 10**10))
def test_a_sum_is_exact_to_the_hertz(first, second):
    total = parse(substitute(f"$f + {second} Hz", {"f": f"{first} Hz"}), Frequency)
    assert total.hz == first + second


@pytest.mark.parametrize("text", ["a - b", "3 - 2", "first + second", "5g - wide"])
def test_text_that_is_no_sum_of_quantities_stays_text(text):
    assert substitute(text, VALUES) == text


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("$carier", "nothing gives $carier a value"),
        ("$carrier + $of", "nothing gives $of a value"),
        ("$level + 3 dBm", "does not work out"),
        ("$carrier + 3 dB", "does not work out"),
        ("$channel + 1 Hz", "with their units"),
        ("$filter + 1 Hz", "with their units"),
        ("$carrier * 2", "stands alone"),
        ("$carrier+20 MHz", "stands alone"),
        ("x$carrier", "stands alone"),
        ("$", "stands alone"),
        ("$carrier + (3 MHz)", "stands alone"),
    ],
)
def test_anything_else_is_a_mistake(text, message):
    with pytest.raises(SubstitutionError) as caught:
        substitute(text, VALUES)
    assert message in caught.value.message


def test_an_unknown_name_comes_with_the_near_one_and_the_known_ones():
    with pytest.raises(SubstitutionError) as caught:
        substitute("$carier", VALUES)
    assert caught.value.next_step == "did you mean carrier?"
    assert "$carrier, $channel" in caught.value.allowed


def test_names_are_found_at_every_depth():
    assert names_in({"a": ["$x", {"b": "$y + 2 dB"}], "c": 5}) == {"x", "y"}


def test_every_place_that_cannot_be_worked_out_is_told():
    places = []
    data = {"to": "$no", "list": ["$channel", "$nor"], "n": 3}
    result = resolve(data, VALUES, at=("steps", 0), wrong=lambda at, error: places.append(at))
    assert places == [("steps", 0, "to"), ("steps", 0, "list", 1)]
    assert result == {"to": "$no", "list": [2, "$nor"], "n": 3}
