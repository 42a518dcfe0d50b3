"""Errors are for people, and each leads to its exit code."""

import pytest

from hilkit import errors
from hilkit.errors import ExitCode, FileProblems, HilkitError, InstrumentError, Problem, worst_exit


def test_a_problem_puts_the_mark_under_the_text_it_speaks_of():
    problem = Problem(
        file="plan.yaml",
        line=7,
        column=16,
        width=4,
        line_text="      carrier: 2.35",
        message="a unit is needed",
        seen="2.35",
        allowed="Hz, kHz, MHz, GHz",
        next_step="write 2.35 GHz",
    )
    first, text, mark, *rest = problem.render().splitlines()
    assert first == "plan.yaml:7:16: a unit is needed"
    assert text.index("2.35") == mark.index("^")
    assert mark.count("^") == len("2.35")
    assert rest == ["  seen: 2.35", "  allowed: Hz, kHz, MHz, GHz", "  next: write 2.35 GHz"]


def test_all_mistakes_of_a_file_are_in_one_message():
    problems = [Problem(file="a.yaml", line=n, column=1, message=f"mistake {n}") for n in (1, 2)]
    text = str(FileProblems(problems))
    assert "mistake 1" in text
    assert "mistake 2" in text
    assert text.endswith("2 mistakes found")


@pytest.mark.parametrize(
    ("codes", "winner"),
    [
        ([], 0),
        ([0, 6], 6),
        ([6, 1, 0], 1),
        ([1, 3], 3),
        ([3, 130], 130),
        ([130, 4], 4),
        ([4, 7, 1], 7),
    ],
)
def test_the_precedence_is_7_4_130_3_1_6_0(codes, winner):
    assert worst_exit(ExitCode(code) for code in codes) == winner


def test_every_exit_code_has_a_meaning_for_the_help():
    assert all(code.meaning for code in ExitCode)


def test_the_drawn_tree_names_every_class():
    public = {name for name in errors.__all__ if isinstance(getattr(errors, name), type)}
    trees = {name for name in public if issubclass(getattr(errors, name), HilkitError)}
    assert errors.__doc__ is not None
    assert all(name in errors.__doc__ for name in trees)


def test_an_instrument_error_names_the_instrument_and_the_next_step():
    error = InstrumentError("no answer to :FREQ?", instrument="analyser", next_step="check the cable")
    assert str(error) == "analyser: no answer to :FREQ?\n  next: check the cable"


@pytest.mark.parametrize(("before", "columns"), [("name: ", 6), ("番号: ", 6), ("e\u0301: ", 3)])
def test_the_mark_stays_under_its_text_behind_wide_and_combining_characters(before, columns):
    # Widths by Unicode Standard Annex 11, East Asian Width: W and F take two columns.
    line = before + "2.35"
    problem = Problem(file="a", line=1, column=len(before) + 1, width=4, line_text=line, message="m")
    mark = problem.render().splitlines()[2]
    assert mark.index("^") == len("    1 | ") + columns
    assert mark.count("^") == 4
