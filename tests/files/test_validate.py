"""A file against its model: every mistake at once, at its place, with what would be right."""

import datetime as dt
from pathlib import Path

import pytest
from pydantic import BaseModel, ValidationError

from hilkit.errors import FileProblems
from hilkit.files import FileModel, Mistake, collect, loads, validate
from hilkit.quantities import Frequency, Level, QuantityError, Ratio
from tests.files.models import GOOD, Bench, Cable, Colour, Named, Pad


def problems_of(text, model=Bench, **options):
    with pytest.raises(FileProblems) as caught:
        validate(loads(text, "b.yaml"), model, **options)
    return caught.value.problems


def test_a_good_file_becomes_a_model():
    bench = validate(loads(GOOD, "b.yaml"), Bench)
    assert bench.bench == "pier µ bench"
    assert bench.instruments["analyser"].calibration_due == dt.date(2027, 3, 1)
    assert bench.channels == {1: "tx1", 2: "tx2"}
    assert bench.path == [
        Named(node="radio tx1 port"),
        Cable(kind="cable", loss={Frequency(1e9): Ratio(0.6), Frequency(3e9): Ratio(1.1)}, law="sqrt_f"),
        Pad(kind="pad", loss=Ratio(20.0)),
    ]
    assert bench.rating == Level(30.0)
    assert (bench.carrier, bench.colour, bench.pair) == (Frequency(2.35e9), Colour.BLUE, (1.0, 2.5))
    assert (bench.file, bench.limit, bench.either) == (Path("cables/blue.s2p"), 3.0, ["x", "y"])
    with pytest.raises(ValidationError):
        bench.bench = "other"


# One wrong line in a file; the text that is marked; parts of the message, seen, allowed and hint.
ONE_LINE = [
    ("colour: bleu", "bleu", "none of the words", "bleu", "red, blue", "did you mean blue?"),
    ("colour: RED", "RED", "none of the words", "RED", "red, blue", "did you mean red?"),
    ("colour: 5", "5", "none of the words", "5", "red, blue", ""),
    ("rating: 20 dbm", "20 dbm", "'dbm' is no unit", "20 dbm", "dBm", "did you mean dBm?"),
    ("rating: 20 GHz", "20 GHz", "this is a frequency; a level is needed here", "20 GHz", "dBm", ""),
    ("rating: 20", "20", "a unit is missing", "20", "dBm", "unit after the number"),
    ("rating: 1e9", "1e9", "a unit is missing", "1e9", "dBm", ""),
    ("rating: [20 dBm]", "[20 dBm]", "a level is needed here", "a list", "dBm", ""),
    ("rating:", "rating", "a level is needed here", "nothing", "dBm", ""),
    ("rating: 99 dBm", "99 dBm", "no instrument stands that", "99 dBm", "at most 60 dBm", ""),
    (
        "carrier: atuo",
        "atuo",
        "fits none of the forms",
        "atuo",
        "auto; or a number and one of the units",
        "auto?",
    ),
    (
        "carrier: 2 ghz",
        "2 ghz",
        "fits none of the forms",
        "2 ghz",
        "auto; or a number and one of the units",
        "GHz",
    ),
    ("carrier: [1]", "[1]", "fits none", "a list", "auto", ""),
    ("count: 0", "0", "the number is out of range", "0", "above 0", ""),
    ("count: 1.5", "1.5", "a whole number is needed", "1.5", "a number such as 3", ""),
    ("count: 3.0", "3.0", "a whole number is needed", "3.0", "a number such as 3", ""),
    ("count: '3'", "'3'", "a whole number is needed", "3", "without quotes", ""),
    ("count: true", "true", "a whole number is needed", "true", "a number such as 3", ""),
    ("count: 0x1G", "0x1G", "a whole number is needed", "0x1G", "a number such as 3", ""),
    ("factor: fast", "fast", "a number is needed here", "fast", "0.5", ""),
    ("factor: true", "true", "a number is needed here", "true", "0.5", ""),
    ("factor: 3 dB", "3 dB", "a number is needed here", "3 dB", "without unit", ""),
    ("factor: -1", "bench", "the factor of a bench is positive", "", "", ""),
    ("pair: [1]", "[1]", "too few items", "a list", "at least 2 (there are 1)", ""),
    ("pair: []", "[]", "too few items", "a list", "at least 2 (there are 0)", ""),
    ("pair: [1, 2, 3]", "[1, 2, 3]", "too many items", "a list", "at most 2 (there are 3)", ""),
    ("pair: [1, x]", "x", "a number is needed here", "x", "0.5", ""),
    ("pair: 1", "1", "a list is needed here", "1", "[first, second]", ""),
    ("active: on", "on", "true or false is needed here", "on", "true, false", ""),
    ("active: yes", "yes", "true or false is needed here", "yes", "true, false", ""),
    ("active: 1", "1", "true or false is needed here", "1", "true, false", ""),
    ("names: []", "[]", "too few items", "a list", "at least 1 (there are 0)", ""),
    ("names: [a, b, c]", "[a, b, c]", "too many items", "a list", "at most 2", ""),
    ("names: a", "a", "a list is needed here", "a", "- ", ""),
    ("names: [00417]", "00417", "a text is needed here", "00417", "quotes", 'write "00417"'),
    ("names: [true]", "true", "a text is needed here", "true", "quotes", 'write "true"'),
    ("word: 'A'", "'A'", "the text has not the form", "A", "^[a-z]+$", ""),
    ("word: abcd", "abcd", "the text is too long", "abcd", "at most 3 characters", ""),
    ("file: 5", "5", "a text is needed here", "5", "quotes", 'write "5"'),
    ("limit: [1]", "[1]", "fits none of the forms", "a list", "a number such as 0.5", ""),
    ("either: 5", "5", "fits none of the forms", "5", "a text", 'write "5"'),
    ("either: {a: 1}", "{a: 1}", "fits none of the forms", "keys with values", "a text", ""),
    ("either: [a, 5]", "5", "a text is needed here", "5", "quotes", 'write "5"'),
    ("channels: {a: tx1}", "a", "a whole number is needed", "a", "a number such as 3", ""),
    ("channels: {1: 5}", "5", "a text is needed here", "5", "quotes", 'write "5"'),
    ("channels: [tx1]", "[tx1]", "keys with values are needed here", "a list", "lines of key: value", ""),
    (
        "instruments: {a: {driver: x}}",
        "a",
        "the key 'resource' is missing",
        "",
        "resource: a text",
        "add resource",
    ),
    (
        "instruments: {a: {resource: x}}",
        "a",
        "the key 'driver' is missing",
        "",
        "driver: Name of the driver file.",
        "",
    ),
    ("instruments: {a: x}", "x", "keys with values are needed here", "x", "the keys driver, resource", ""),
    (
        "instruments: {a: }",
        "a",
        "keys with values are needed here",
        "nothing",
        "the keys driver, resource",
        "",
    ),
    (
        "instruments: {a: {driver: x, resorce: y}}",
        "resorce",
        "'resorce' is not known here",
        "resorce",
        "driver, resource",
        "did you mean resource?",
    ),
    (
        "instruments: {a: {driver: x, resource: y, Serial: z}}",
        "Serial",
        "not known here",
        "Serial",
        "driver",
        "serial?",
    ),
    (
        "instruments: {a: {driver: x, resource: y, zzz: z}}",
        "zzz",
        "not known here",
        "zzz",
        "driver, resource",
        "",
    ),
    (
        "instruments: {a: {driver: x, resource: y, port:1}}",
        "port:1",
        "not known here",
        "port:1",
        "port",
        "write a space after the colon: port: 1",
    ),
    (
        "instruments: {a: {driver: x, resource: y, port: 70000}}",
        "70000",
        "out of range",
        "70000",
        "65535 or less",
        "",
    ),
    (
        "instruments: {a: {driver: x, resource: y, calibration_due: soon}}",
        "soon",
        "a date is needed here",
        "soon",
        "2027-03-31",
        "",
    ),
    (
        "instruments: {a: {driver: x, resource: y, calibration_due: 2027-02-30}}",
        "2027-02-30",
        "a date is needed here",
        "2027-02-30",
        "2027-03-31",
        "",
    ),
    ("path: [{node: a, loss: 3 dB}]", "loss", "'loss' is not known here", "loss", "node", ""),
    ("path: [{nod: a}]", "nod", "'nod' is not known here", "nod", "node", "did you mean node?"),
    (
        "path: [{kind: cabel, loss: 3 dB}]",
        "cabel",
        "none of the words",
        "cabel",
        "cable, pad",
        "did you mean cable?",
    ),
    ("path: [{loss: 3 dB}]", "{loss: 3 dB}", "the key 'kind' is missing", "", "kind: cable, pad", "add kind"),
    (
        "path: [{kind: pad}]",
        "{kind: pad}",
        "the key 'loss' is missing",
        "",
        "What the pad takes away.",
        "loss: 30 dB",
    ),
    ("path: [{kind: pad, loss: -3 dB}]", "-3 dB", "the value is out of range", "-3 dB", "from 0 dB", ""),
    ("path: [{kind: pad, los: 3 dB}]", "los", "not known here", "los", "kind, loss", "did you mean loss?"),
    ("path: [{kind: cable, loss: 3}]", "3", "a unit is missing: a ratio is needed here", "3", "dB, dBc", ""),
    (
        "path: [{kind: cable, loss: 3 dBm}]",
        "3 dBm",
        "this is a level; a ratio is needed here",
        "3 dBm",
        "dB, dBc",
        "",
    ),
    (
        "path: [{kind: cable, loss: {1 GHz: 3}}]",
        "3",
        "a unit is missing: a ratio is needed here",
        "3",
        "dB, dBc",
        "",
    ),
    (
        "path: [{kind: cable, loss: {1 gHz: 3 dB}}]",
        "1 gHz",
        "'gHz' is no unit",
        "1 gHz",
        "GHz",
        "did you mean GHz",
    ),
    (
        "path: [{kind: cable, loss: {1 GHz: 3 dB}, law: sqrt}]",
        "sqrt",
        "none of the words",
        "sqrt",
        "linear, sqrt_f",
        "did you mean sqrt_f?",
    ),
    ("path: [5]", "5", "keys with values are needed here", "5", "kind", ""),
    (
        "instrument: {}",
        "instrument",
        "not known here",
        "instrument",
        "bench, instruments",
        "did you mean instruments?",
    ),
]


@pytest.mark.parametrize(("line", "marked", "message", "seen", "allowed", "hint"), ONE_LINE)
def test_a_mistake_is_marked_and_answered(line, marked, message, seen, allowed, hint):
    (problem,) = problems_of(f"bench: µ\n{line}\n")
    start = problem.column - 1
    assert problem.line_text[start : start + problem.width] == marked, problem.render()
    assert message in problem.message, problem.render()
    assert problem.seen == seen, problem.render()
    assert allowed in problem.allowed, problem.render()
    assert hint in problem.next_step, problem.render()
    assert problem.message[0].islower() or problem.message[0] == "'"
    assert "Input should" not in problem.render()


def test_all_mistakes_of_a_file_come_at_once_in_the_order_of_the_file():
    text = """\
instruments:
  analyser: {driver: 5, resorce: x}
  pad:
    driver: x
path:
  - {kind: pad, loss: 3}
  - node:
colour: green
extra: 1
"""
    problems = problems_of(text)
    assert [(one.line, one.message) for one in problems] == [
        (1, "the key 'bench' is missing"),
        (2, "a text is needed here"),
        (2, "the key 'resorce' is not known here"),
        (3, "the key 'resource' is missing"),
        (6, "a unit is missing: a ratio is needed here, such as 30 dB"),
        (7, "a text is needed here"),
        (8, "this is none of the words that are allowed here"),
        (9, "the key 'extra' is not known here"),
    ]


def test_the_message_reads_as_a_whole():
    text = 'bench: x\npath: [{node: "größe µ"}, {kind: pad, loss: 20 db}]\n'
    with pytest.raises(FileProblems) as caught:
        validate(loads(text, "benches/pier.yaml"), Bench)
    assert str(caught.value) == (
        "benches/pier.yaml:2:45: 'db' is no unit that is known; a ratio is needed here, such as 30 dB\n"
        '    2 | path: [{node: "größe µ"}, {kind: pad, loss: 20 db}]\n'
        "      |                                             ^^^^^\n"
        "  seen: 20 db\n"
        "  allowed: a number and one of the units dB, dBc\n"
        "  next: did you mean dB? (upper and lower case count)\n"
        "\n"
        "1 mistake found"
    )


def test_a_file_that_is_no_mapping_says_which_keys_it_needs():
    (problem,) = problems_of("- 1\n- 2\n")
    assert problem.message == "keys with values are needed here"
    assert problem.allowed.startswith("the keys bench, instruments")
    (problem,) = problems_of("bench:pier\n")
    assert problem.next_step == "write a space after the colon: bench: pier"


def test_a_part_of_a_document_is_validated_with_the_places_of_the_whole():
    document = loads("steps:\n  - tone: {loss: 3 dB, kind: pad}\n  - tone: {loss: 3, kind: pad}\n", "p.yaml")
    assert validate(document, Pad, at=("steps", 0, "tone")).loss == Ratio(3.0)
    with pytest.raises(FileProblems, match=r"p.yaml:3:18: a unit is missing"):
        validate(document, Pad, at=("steps", 1, "tone"))


def test_data_with_names_filled_in_is_shown_with_what_the_file_has():
    document = loads("steps:\n  - tone: {loss: $loss + 3 dB, kind: pad}\n", "p.yaml")
    data = {"loss": Ratio(-7.0), "kind": "pad"}
    with pytest.raises(FileProblems) as caught:
        validate(document, Pad, at=("steps", 0, "tone"), data=data)
    (problem,) = caught.value.problems
    assert problem.seen == "-7 dB (from $loss + 3 dB)"
    assert (problem.line, problem.column, problem.width) == (2, 18, 12)
    assert validate(document, Pad, at=("steps", 0, "tone"), data={**data, "loss": "7 dB"}).loss == Ratio(7.0)


def test_an_error_of_a_validation_made_elsewhere_is_put_at_its_places():
    document = loads("a: {loss: 3, kind: pad}\n", "p.yaml")
    with pytest.raises(ValidationError) as caught:
        Pad.model_validate(document.data["a"])
    (problem,) = collect(document, caught.value, ("a",))
    assert (problem.line, problem.column) == (1, 11)


def test_many_mistakes_are_cut_at_a_hundred():
    assert (
        len(problems_of("bench: x\nnames: []\nchannels:\n" + "".join(f"  x{n}: y\n" for n in range(500))))
        == 100
    )


def test_a_validator_can_point_at_a_key_deep_inside():
    class Ordered(FileModel):
        table: dict[Frequency, Ratio]

        def model_post_init(self, context):
            raise Mistake("the table runs backwards", at=("table", "1 GHz"), at_key=True, next_step="sort it")

    text = "table: {2 GHz: 1 dB, 1 GHz: 1 dB}\n"
    (problem,) = problems_of(text, Ordered)
    assert (problem.column, problem.width, problem.next_step) == (22, 5, "sort it")


def test_an_error_about_one_value_becomes_a_problem_at_its_place():
    document = loads("a: {b: 3 dBm}\n", "p.yaml")
    with pytest.raises(QuantityError) as caught:
        Ratio.parse("3 dBm")
    problem = document.problem_from(("a", "b"), caught.value)
    assert (problem.column, problem.width, problem.seen) == (8, 5, "3 dBm")
    assert document.problem_from(("a", "b"), caught.value, at_key=True).column == 5


def test_a_problem_falls_back_on_the_nearest_thing_that_exists():
    document = loads("a:\n  b: [1, {c: 2}]\n  d: |\n    text\n    more\n", "p.yaml")

    def place(*loc, **options):
        problem = document.problem(loc, "x", **options)
        return problem.line, problem.column, problem.width

    assert place("a", "b", 1, "c") == (2, 14, 1)
    assert place("a", "b", 1, "c", at_key=True) == (2, 11, 1)
    assert place("a", "b", 1, "nothing", 5) == (2, 10, 6)
    assert place("a", "b", 9) == (2, 6, 11)
    assert place("a") == (1, 1, 1)
    assert place("a", "zzz") == (1, 1, 1)
    assert place("a", "d") == (3, 6, 1)
    assert place() == (1, 1, 1)
    assert document.raw(("a", "b", 0)) == "1"
    assert document.raw(("a", "b")) is None
    assert document.raw(("a", "zzz")) is None


def test_a_model_that_has_no_schema_still_gives_its_mistakes():
    class Odd(BaseModel):
        model_config = {"arbitrary_types_allowed": True, "extra": "forbid"}
        thing: Exception | None = None

    (problem,) = problems_of("thnig: 1\n", Odd)
    assert problem.message == "the key 'thnig' is not known here"


def test_a_key_of_another_alternative_is_not_offered():
    (problem,) = problems_of("bench: x\npath: [{kind: pad, loss: 3 dB, law: linear}]\n")
    assert (problem.message, problem.allowed) == ("the key 'law' is not known here", "kind, loss")
    assert problem.next_step == ""


def test_a_mark_ends_with_the_line_that_is_shown():
    (problem,) = problems_of(f"bench: x\nnames: [{', '.join(['abc'] * 100)}]\n")
    assert problem.column - 1 + problem.width == len(problem.line_text) == 200


def test_alternatives_told_apart_by_a_word_are_joined_in_one_message():
    class Chain(FileModel):
        path: list[Cable | Pad | Named]

    (problem,) = problems_of("path: [{kind: padd, loss: 3 dB}]\n", Chain)
    assert (problem.seen, problem.allowed, problem.next_step) == (
        "padd",
        "cable; or pad",
        "did you mean pad?",
    )
    (problem,) = problems_of("path: [{kind: pad, loss: 3}]\n", Chain)
    assert problem.message == "a unit is missing: a ratio is needed here, such as 30 dB"
    (problem,) = problems_of("path: [{kind: cable, loss: 3 dB, law: sqrt}]\n", Chain)
    assert problem.seen == "sqrt"
