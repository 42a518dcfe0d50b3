"""Plain scalars mean what YAML 1.2 says, not what YAML 1.1 said."""

import pytest

from hilkit.errors import FileProblems, HilkitError
from hilkit.files import loads, scalar

# YAML 1.2.2, section 10.3.2, table of tag resolution for the core schema, and example 10.9.
CORE = [
    ("null", None),
    ("Null", None),
    ("NULL", None),
    ("~", None),
    ("true", True),
    ("True", True),
    ("TRUE", True),
    ("false", False),
    ("FALSE", False),
    ("0", 0),
    ("-19", -19),
    ("+12", 12),
    ("010", 10),
    ("0o7", 7),
    ("0o17", 15),
    ("0x3A", 58),
    ("0xff", 255),
    ("0.", 0.0),
    ("-0.0", 0.0),
    (".5", 0.5),
    ("+12e03", 12000.0),
    ("-2E+05", -200000.0),
    ("1e9", 1e9),
    ("1.5e-3", 1.5e-3),
    # Text, though YAML 1.1 took many of them for something else.
    ("on", "on"),
    ("Off", "Off"),
    ("yes", "yes"),
    ("no", "no"),
    ("y", "y"),
    ("n", "n"),
    ("tRUE", "tRUE"),
    ("nULL", "nULL"),
    ("0o8", "0o8"),
    ("0b1", "0b1"),
    ("-0x1", "-0x1"),
    ("1_000", "1_000"),
    ("12:30", "12:30"),
    ("190:20:30", "190:20:30"),
    ("2027-03-01", "2027-03-01"),
    ("1e", "1e"),
    (".", "."),
    ("e3", "e3"),
    ("0x", "0x"),
    ("1.2.3", "1.2.3"),
    ("٣", "٣"),
    ("inf", "inf"),
    ("nan", "nan"),
    ("20 dB", "20 dB"),
    ("=", "="),
]


@pytest.mark.parametrize(("text", "value"), CORE)
def test_a_plain_scalar_has_the_value_of_the_core_schema(text, value):
    found = loads(f"key: {text}\n", "x.yaml").data["key"]
    assert (type(found), found) == (type(value), value)
    assert (type(scalar(text)), scalar(text)) == (type(value), value)


@pytest.mark.parametrize("text", ["true", "12", "1e9", "null", "~", ""])
def test_quotes_make_a_text(text):
    assert loads(f"key: '{text}'\n", "x.yaml").data["key"] == text
    assert loads(f'key: "{text}"\n', "x.yaml").data["key"] == text


def test_text_blocks_are_text():
    assert loads("key: |\n  12\nother: >-\n  true\n", "x.yaml").data == {"key": "12\n", "other": "true"}


def test_an_empty_value_is_nothing():
    assert loads("key:\nother: ~\n", "x.yaml").data == {"key": None, "other": None}


def test_keys_are_text_as_they_were_written():
    text = "1: a\n0x10: b\ntrue: c\non: d\n1.50: e\n2 GHz: f\n'3': g\n"
    assert list(loads(text, "x.yaml").data) == ["1", "0x10", "true", "on", "1.50", "2 GHz", "3"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (".inf", "this is no finite number"),
        ("-.INF", "this is no finite number"),
        (".nan", "this is no finite number"),
        ("1e999", "this number is too large"),
        ("9" * 5000, "this number has more than 40 digits"),
        ("0x" + "f" * 60, "this number has more than 40 digits"),
    ],
)
def test_a_number_that_no_file_can_mean_is_refused(text, message):
    with pytest.raises(FileProblems) as caught:
        loads(f"key: {text}\n", "x.yaml")
    (problem,) = caught.value.problems
    assert (problem.message, problem.line, problem.column) == (message, 1, 6)
    with pytest.raises(HilkitError, match=message):
        scalar(text)
