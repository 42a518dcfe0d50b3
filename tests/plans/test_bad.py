"""Each mistake in a plan is answered once, with its place, what was seen, what is allowed, and the next step.

``bad/NAME.yaml`` is a plan, ``bad/NAME.txt`` what the engineer reads. ``python -m tests.plans.test_bad``
writes the texts again after a wording was changed on purpose: read the difference before it is kept.
"""

import os
from pathlib import Path

import pytest

from hilkit.errors import ExitCode, FileProblems
from hilkit.plans import load_plan
from tests.plans.trial import PROCEDURES

FOLDER = Path(__file__).parent / "bad"
CASES = sorted(path.stem for path in FOLDER.glob("*.yaml"))


def answer(name):
    with pytest.raises(FileProblems) as caught:
        load_plan(Path(f"{name}.yaml"), procedures=PROCEDURES)
    return caught.value


@pytest.mark.parametrize("name", CASES)
def test_the_answer_to(name, monkeypatch):
    monkeypatch.chdir(FOLDER)
    error = answer(name)
    assert str(error) + "\n" == (FOLDER / f"{name}.txt").read_text(encoding="utf-8")
    assert error.exit_code is ExitCode.USAGE


@pytest.mark.parametrize("name", CASES)
def test_no_place_is_answered_twice_with_the_same_words(name, monkeypatch):
    monkeypatch.chdir(FOLDER)
    told = [(problem.line, problem.column, problem.message) for problem in answer(name).problems]
    assert len(told) == len(set(told))


if __name__ == "__main__":
    os.chdir(FOLDER)
    for case in CASES:
        (FOLDER / f"{case}.txt").write_text(f"{answer(case)}\n", encoding="utf-8", newline="\n")
