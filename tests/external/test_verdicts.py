"""How verdicts combine: ETSI ES 201 873-1 (TTCN-3 core language), clause 24, "Overwriting rules for the
verdict".

The table is number 29 or 30 by edition. ``error`` is set by the run-time system alone, overwrites all and is
never overwritten (the same clause, from memory).
"""

from __future__ import annotations

from itertools import permutations, product

import pytest

from hilkit.readings import Verdict, overall

# Rows are the current verdict, columns the new one.
TABLE = """
          pass    inconc  fail    none
none      pass    inconc  fail    none
pass      pass    inconc  fail    pass
inconc    inconc  inconc  fail    inconc
fail      fail    fail    fail    fail
"""


def cells() -> list[tuple[str, str, str]]:
    head, *rows = (line.split() for line in TABLE.strip().splitlines())
    return [(row[0], new, result) for row in rows for new, result in zip(head, row[1:], strict=True)]


def looked_up(verdicts: tuple[Verdict, ...]) -> Verdict:
    """Walk through the printed table, verdict by verdict, starting from none."""
    table = {(current, new): result for current, new, result in cells()}
    current = "none"
    for new in verdicts:
        current = table[current, new.value]
    return Verdict(current)


def test_the_table_has_all_sixteen_cells() -> None:
    assert len(cells()) == 16


@pytest.mark.parametrize(("current", "new", "result"), cells())
def test_a_verdict_is_overwritten_as_the_table_says(current: str, new: str, result: str) -> None:
    assert Verdict(current).overwritten_by(Verdict(new)) is Verdict(result)
    assert overall([Verdict(current), Verdict(new)]) is Verdict(result)


@pytest.mark.parametrize("other", Verdict)
def test_error_overwrites_all_and_is_never_overwritten(other: Verdict) -> None:
    assert Verdict.ERROR.overwritten_by(other) is Verdict.ERROR
    assert other.overwritten_by(Verdict.ERROR) is Verdict.ERROR


def test_the_overall_verdict_of_any_three_is_that_of_the_table_in_any_order() -> None:
    four = [verdict for verdict in Verdict if verdict is not Verdict.ERROR]
    for verdicts in product(four, repeat=3):
        assert {overall(order) for order in permutations(verdicts)} == {looked_up(verdicts)}


def test_nothing_judged_is_none() -> None:
    assert overall([]) is Verdict.NONE
