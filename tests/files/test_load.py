"""A file is read, or what is wrong with it is said in plain words at its place."""

import json
import os

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from hilkit.errors import ExitCode, FileProblems
from hilkit.files import load, loads
from hilkit.files.nodes import MAX_DEPTH
from hilkit.files.text import MAX_BYTES


def problems_of(text, name="x.yaml"):
    with pytest.raises(FileProblems) as caught:
        loads(text, name)
    return caught.value.problems


# Bytes of the file, line and column, a part of the message, a part of what is shown with it.
BAD_BYTES = [
    (b"", 1, 1, "this file is empty", "manual"),
    (b"  \n\n \t \n", 1, 1, "this file is empty", "manual"),
    (b"# nothing\n\n# else\n", 1, 1, "this file holds nothing but comments", "# nothing"),
    (b"---\n", 1, 1, "this file holds nothing but comments", ""),
    (b"--- # nothing\n...\n", 1, 1, "this file holds nothing but comments", ""),
    (b"key: \x00\x01\x02", 1, 1, "this is a binary file", "YAML"),
    (b"\x89PNG\r\n\x1a\n\x00", 1, 1, "this is a binary file", "YAML"),
    (b"\xef\xbb\xbfkey: 1\n", 1, 1, "starts with a byte order mark", "UTF-8"),
    ("key: 1\n".encode("utf-16"), 1, 1, "starts with a byte order mark", "UTF-16"),
    ("µé: 1\nkey: µé\n".encode() + b"b: \xb5V\n", 3, 4, "this is not UTF-8 text", "0xB5"),
    ("key: µ\n".encode("latin-1"), 1, 6, "this is not UTF-8 text", "0xB5"),
    (b"key: \x07\n", 1, 6, "a control character", "U+0007"),
    ("key: \x85 x\n".encode(), 1, 6, "an invisible character", "U+0085"),
    ("key: \u2028 x\n".encode(), 1, 6, "an invisible character", "U+2028"),
    ("a: 1\nke\ufeffy: x\n".encode(), 2, 3, "an invisible character", "U+FEFF"),
    (b"a: 1\nb:\n\tc: 2\n", 3, 1, "indented with a tab", "spaces"),
    (b"a:\n  \tb: 2\n", 2, 3, "indented with a tab", "spaces"),
    (b"a: " + b"x" * MAX_BYTES, 1, 1, "this file is too large", str(MAX_BYTES)),
]


@pytest.mark.parametrize(("raw", "line", "column", "message", "shown"), BAD_BYTES)
def test_what_is_no_text_file_is_refused_in_plain_words(tmp_path, raw, line, column, message, shown):
    path = tmp_path / "x.yaml"
    path.write_bytes(raw)
    with pytest.raises(FileProblems) as caught:
        load(path)
    (problem,) = caught.value.problems
    assert message in problem.message
    assert shown in problem.render()
    assert (problem.line, problem.column) == (line, column)
    assert problem.file == str(path)
    assert caught.value.exit_code is ExitCode.USAGE


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(FileProblems, match="there is no such file"):
        load(tmp_path / "none.yaml")


def test_a_folder_is_no_file(tmp_path):
    with pytest.raises(FileProblems, match="this is a folder"):
        load(tmp_path)


def test_a_name_that_no_file_can_have_is_refused(tmp_path):
    with pytest.raises(FileProblems, match=r"cannot be read|no such file"):
        load(tmp_path / "a\x00b.yaml")


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        (PermissionError(13, "Permission denied"), "this file may not be read"),
        (OSError(5, "Input/output error"), "this file cannot be read: Input/output error"),
    ],
)
def test_a_file_that_cannot_be_read_says_why(tmp_path, monkeypatch, fault, message):
    path = tmp_path / "x.yaml"
    path.write_text("a: 1\n", encoding="utf-8")

    def refuse(*args, **options):
        raise fault

    monkeypatch.setattr("pathlib.Path.open", refuse)
    with pytest.raises(FileProblems, match=message):
        load(path)


def test_a_pipe_is_no_file(tmp_path):
    if not hasattr(os, "mkfifo"):  # only some systems have pipes with a name
        return
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(FileProblems, match="no ordinary file"):
        load(tmp_path / "pipe")


def test_a_good_file_is_read_with_its_path_and_text(tmp_path):
    path = tmp_path / "x.yaml"
    path.write_bytes("%YAML 1.2\n---\nµ: [1, {b: ß}]\r\nc: 'it''s'\r\n".encode())
    document = load(path)
    assert document.data == {"µ": [1, {"b": "ß"}], "c": "it's"}
    assert document.path == path
    assert document.text.startswith("%YAML 1.2\n")


# Text, then line, column, width of the mark, and a part of the message, for each mistake that is found.
BAD_YAML = [
    ("a: 1\na: 2\n", [(2, 1, 1, "the key 'a' stands here a second time (first in line 1)")]),
    ("a: {b: 1, c: 2, b: 3}\n", [(1, 17, 1, "the key 'b' stands here a second time")]),
    ("1: a\n'1': b\n", [(2, 1, 3, "the key '1' stands here a second time")]),
    (
        "a: &x 1\nb: *x\n",
        [(1, 4, 4, "an anchor (&) is not allowed"), (2, 4, 2, "an alias (*) is not allowed")],
    ),
    ("a: &x {b: 1}\n<<: 2\n", [(1, 4, 4, "an anchor"), (2, 1, 2, "a merge key (<<) is not allowed")]),
    ("a: !!str 5\nb: !own {c: 1}\n", [(1, 4, 7, "a tag (!)"), (2, 4, 6, "a tag (!)")]),
    ("a: ! 5\n", [(1, 4, 3, "a tag (!)")]),
    ("a: 1\n---\nb: 2\n", [(2, 1, 3, "a second document starts here")]),
    ("? [a, b]\n: 1\n", [(1, 3, 1, "a key must be a word")]),
    ("{a: 1}: 2\n", [(1, 1, 1, "a key must be a word")]),
    ("'': 2\n", [(1, 1, 2, "a key must be a word")]),
    ("a: .inf\nb: 1e999\na: 2\n", [(1, 4, 4, "no finite"), (2, 4, 5, "too large"), (3, 1, 1, "second time")]),
    ("\ta: 1\n\tb: 2\n", [(1, 1, 1, "indented with a tab"), (2, 1, 1, "indented with a tab")]),
    ("a: b: c\n", [(1, 5, 1, "a colon makes a key here, where no key can stand")]),
    ("a:1\nb: 2\n", [(1, 2, 1, "a space is missing after this colon")]),
    ("a: 1\n b: 2\n", [(2, 3, 1, "a colon makes a key here")]),
    ("a: @x\n", [(1, 4, 1, "a text cannot start with this character")]),
    ("a: %x\n", [(1, 4, 1, "a text cannot start with this character")]),
    ('a: "x\nb: 2\n', [(1, 4, 1, "the quote that opens here is never closed")]),
    ("a: 'x\n---\nb: 2\n", [(1, 4, 1, "the quote that opens here is never closed")]),
    ('a: "\\xZ"\n', [(1, 7, 1, "this escape is not known")]),
    ("a: 1\n- b\n", [(2, 1, 1, "a key is needed here")]),
    ("a: - b\n", [(1, 4, 1, "a list item (- ) or a key mark (? ) cannot stand here")]),
    ('a: "\\q"\n', [(1, 5, 1, "this escape is not known")]),
    ("a: 'x' y\n", [(1, 8, 1, "a key is needed here")]),
    ("- a\nb: 1\n", [(2, 1, 1, "a list item (-) or the end of the list is needed here")]),
    ("a: [1, 2\nb: 3\n", [(2, 2, 1, "a list in [ ] goes wrong here (it opens in line 1)")]),
    ("a: [1, 2\n", [(1, 8, 1, "a list in [ ] goes wrong here")]),
    ("a: {b: 1\nc\n", [(2, 1, 1, "a mapping in { } goes wrong here (it opens in line 1)")]),
    ("a: [1,\n", [(1, 6, 1, "a value is missing here")]),
    ("µ: {ü: [1, 'ß', }\n", [(1, 17, 1, "a value is missing here")]),
    ("{a: 1}}\n", [(1, 7, 1, "nothing can follow here")]),
    ("%TAG ! x\n---\na: !b 1\n", [(3, 4, 4, "a tag (!)")]),
    ("a: 1\n...\nb: 1\n", [(3, 1, 1, "nothing can follow here")]),
    ("a: *\n", [(1, 5, 1, "an anchor or alias")]),
    ("a: |\n  x\n y\n", [(3, 2, 1, "a key is needed here")]),
    ("a: 1\nb\nc: 2\n", [(3, 1, 1, "a colon")]),
]


@pytest.mark.parametrize(("text", "expected"), BAD_YAML)
def test_what_is_no_plain_yaml_is_refused_at_its_place(text, expected):
    problems = problems_of(text)
    found = [(one.line, one.column, one.width) for one in problems]
    assert found == [place[:3] for place in expected], "\n".join(one.render() for one in problems)
    for problem, (*_, message) in zip(problems, expected, strict=True):
        assert message in problem.message
        assert problem.next_step or problem.allowed


@pytest.mark.parametrize(("text", "expected"), BAD_YAML)
def test_the_parser_without_its_c_part_refuses_the_same_texts(monkeypatch, text, expected):
    monkeypatch.setattr("hilkit.files.nodes._LOADER", yaml.SafeLoader)
    problems = problems_of(text)
    assert [one.line for one in problems] == [line for line, *_ in expected]
    assert not any(one.message.startswith("this is no YAML") for one in problems)


def test_a_missing_space_after_a_colon_is_pointed_out():
    (problem,) = problems_of("driver:analyser\nresource: x\n")
    assert problem.next_step == "write driver: analyser"


def test_the_mark_stands_under_the_text_it_speaks_of_after_other_alphabets():
    (problem,) = problems_of('straße: {größe: "µ°", größe: 1}\n', "bänke.yaml")
    assert problem.render().splitlines()[:3] == [
        "bänke.yaml:1:23: the key 'größe' stands here a second time (first in line 1)",
        '    1 | straße: {größe: "µ°", größe: 1}',
        "      |                       ^^^^^",
    ]


def test_a_line_too_long_for_a_screen_is_cut_or_left_out():
    (near,) = problems_of("a: {b: 1, b: 2, c: '" + "x" * 500 + "'}\n")
    assert len(near.line_text) == 200
    (far,) = problems_of("a: {b: '" + "x" * 500 + "', b: 2}\n")
    assert far.line_text == ""
    assert far.column == 512


@pytest.mark.parametrize("part", ["[", "{a: ", "- ", "? ", "[{a: "])
def test_deep_nesting_is_refused(part):
    problems = problems_of(part * (MAX_BYTES // len(part) - 1))
    assert "nested too deep" in problems[-1].message


def test_deep_nesting_by_indentation_is_refused():
    (problem,) = problems_of("".join(" " * depth + "a:\n" for depth in range(1400)))
    assert (problem.message, problem.line) == ("this is nested too deep", MAX_DEPTH + 1)


def test_reading_ends_after_a_hundred_mistakes():
    assert len(problems_of("a:\n" * 10000)) == 100
    assert len(problems_of("\ta:\n" * 10000)) == 100


def test_nesting_up_to_the_limit_is_read():
    value = loads("[" * MAX_DEPTH + "]" * MAX_DEPTH, "x.yaml").data
    for _ in range(MAX_DEPTH - 1):
        (value,) = value
    assert value == []
    assert problems_of("[" * (MAX_DEPTH + 1) + "]" * (MAX_DEPTH + 1))


def test_aliases_that_would_multiply_are_refused():
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 10)]
    assert all("not allowed" in problem.message for problem in problems_of("\n".join(lines)))


visible = st.text(
    st.characters(min_codepoint=0xA0, max_codepoint=0x2027) | st.characters(codec="ascii"), max_size=8
)
words = visible.filter(lambda text: text.isprintable() and text not in ("", "<<"))
leaves = (
    st.none()
    | st.booleans()
    | st.integers(-(10**30), 10**30)
    | st.floats(allow_nan=False, allow_infinity=False)
)
json_like = st.recursive(
    leaves | words,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(words, inner, max_size=4),
    max_leaves=12,
)


@settings(deadline=None)
@given(st.dictionaries(words, json_like, max_size=5))
def test_what_another_program_writes_as_json_is_read_alike(data):
    # RFC 8259; YAML 1.2.2, section 1.2: every JSON text is a YAML text.
    assert loads(json.dumps(data, ensure_ascii=False), "x.yaml").data == data
    assert loads(json.dumps(data, indent=2), "x.yaml").data == data


@settings(deadline=None)
@given(st.text(alphabet=" \n\t:-[]{}?&*!|>'\"%@`#,ab1.é", max_size=60))
def test_any_text_is_read_or_answered_with_places_in_it(text):
    try:
        loads(text, "x.yaml")
    except FileProblems as error:
        for problem in error.problems:
            lines = text.splitlines() or [""]
            assert 1 <= problem.line <= len(lines) + 1
            assert 1 <= problem.column <= max(map(len, lines)) + 1
            assert problem.message and not problem.message.startswith("this is no YAML")


@pytest.mark.parametrize(
    ("text", "column", "seen"),
    [
        ("a: {kind: pad, loss: 1,5 dB}", 22, "1,5 dB"),
        ("a: {600 MHz: 0,2 dB, 700 MHz: 0.3 dB}", 14, "0,2 dB"),
        ("carrier: [800 MHz, 1,95 GHz]", 20, "1,95 GHz"),
        ("a: [-3,25 dBm]", 5, "-3,25 dBm"),
    ],
)
def test_a_decimal_comma_is_one_mistake_with_the_point_to_write(text, column, seen):
    (problem,) = problems_of(text)
    assert (problem.column, problem.seen) == (column, seen)
    assert problem.next_step == f"write {seen.replace(',', '.')} with a point"


@pytest.mark.parametrize("text", ["a: [1, 5 dB]", "a: [1,2,3]", "a: {b: 1, 2 GHz: 3}", "a: [1.0,5 dB]"])
def test_lists_and_tables_without_a_decimal_comma_stay_what_they_are(text):
    loads(text, "file.yaml")
