"""--only and --from choose steps; what builds a state before them runs too."""

from __future__ import annotations

from pathlib import Path

import pytest

from hilkit.errors import ExitCode, UsageError
from hilkit.runner import Choice, choose
from tests.runner.trial import go, laid

STEPS = """\
  - prepare: {}
  - look: {id: first}
  - prepare: {id: again}
  - look: {id: second}
  - look: {id: third}"""


@pytest.mark.parametrize(
    ("only", "from_step", "ids"),
    [
        ((), None, ["prepare", "first", "again", "second", "third"]),
        (("first",), None, ["prepare", "first"]),
        (("third",), None, ["prepare", "again", "third"]),
        (("prepare",), None, ["prepare"]),
        ((), "second", ["prepare", "again", "second", "third"]),
        ((), "prepare", ["prepare", "first", "again", "second", "third"]),
        (("first", "third"), "again", ["prepare", "again", "third"]),
        (("first",), "again", []),
    ],
)
def test_the_choice(tmp_path: Path, only: tuple[str, ...], from_step: str | None, ids: list[str]) -> None:
    with laid(tmp_path, STEPS) as table:
        assert [step.id for step in choose(table.plan, only=only, from_step=from_step)] == ids


def test_an_unknown_step_is_answered_with_the_one_that_was_meant(tmp_path: Path) -> None:
    with laid(tmp_path, STEPS) as table:
        with pytest.raises(UsageError) as caught:
            choose(table.plan, only=["secnod"])
        assert "--only secnod: the plan 'a trial' has no such step" in str(caught.value)
        assert "did you mean second? its steps are prepare, first, again, second, third" in str(caught.value)
        with pytest.raises(UsageError, match="--from x"):
            choose(table.plan, from_step="x")
        with pytest.raises(UsageError, match=r"did you mean third\? its steps"):
            choose(table.plan, only=["hird"])
        with pytest.raises(UsageError, match=r"did you mean prepare\? its steps"):
            choose(table.plan, only=["pare"])
        with pytest.raises(UsageError, match=r"did you mean first or third\? its steps"):
            choose(table.plan, only=["ir"])


def test_a_choice_that_leaves_nothing_ends_with_exit_5_and_a_record(tmp_path: Path) -> None:
    done = go(tmp_path, STEPS, only=["first"], from_step="again")
    assert done.code is ExitCode.NOTHING_RAN
    assert done.stored.steps == ()
    assert done.stored.reason == "nothing ran: no step was chosen"


def test_the_choice_is_told_as_it_was_given() -> None:
    assert Choice(only=("a", "b"), from_step="c", sets={"channel": "1"}).text == (
        "--only a --only b --from c --set channel=1"
    )
