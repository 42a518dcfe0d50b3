"""What would halve an uncertainty is told with the fewest lines, and is true when done."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilkit.judgement import combine
from hilkit.judgement.shrink import halving, shares
from hilkit.readings import Budget, BudgetLine, Distribution


def line(u, *, shared="", sensitivity=1.0):
    return BudgetLine(
        quantity="part", estimate=0.0, unit="dB", standard=u, distribution=Distribution.NORMAL, divisor=1.0,
        sensitivity=sensitivity, source="bench file", shared=shared,
    )  # fmt: skip


def budget(*sizes):
    return Budget(unit="dB", lines=tuple(line(u) for u in sizes))


def test_one_dominant_line_has_to_shrink_alone():
    # 3-4-5: u = 0.5 of 0.4 and 0.3 cannot be halved by the larger alone; 0.48 and 0.14 make 0.5 exactly.
    found = halving(budget(0.48, 0.14))
    assert found.lines == (0,)
    left = math.sqrt(0.25**2 - 0.14**2)  # root of the sum of squares, JCGM 100:2008, 5.1.2
    assert found.factors[0] == pytest.approx(0.48 / left)
    assert found.without_largest == pytest.approx(0.14)


def test_where_one_line_is_not_enough_the_next_has_to_shrink_too():
    found = halving(budget(0.4, 0.3))
    assert found.lines == (0, 1)
    assert found.without_largest == pytest.approx(0.3)


@given(st.lists(st.floats(0.01, 1.0), min_size=1, max_size=8))
def test_the_uncertainty_is_half_when_it_is_done(sizes):
    whole = budget(*sizes)
    found = halving(whole)
    lines = list(sizes)
    for index, factor in zip(found.lines, found.factors, strict=True):
        assert factor >= 1.0
        lines[index] /= factor
    assert combine(budget(*lines)).standard == pytest.approx(combine(whole).standard / 2)


def test_nothing_can_be_halved_where_nothing_is_in_doubt():
    assert halving(Budget(unit="1", lines=())) is None


def test_shares_add_to_one_with_correlations_counted_half_to_each():
    """JCGM 100:2008, 5.2.2: the variance of a sum of fully correlated parts is the square of their sum."""
    whole = Budget(unit="dB", lines=(line(0.3, shared="path"), line(0.1, shared="path"), line(0.3)))
    parts = shares(whole)
    assert sum(parts) == pytest.approx(1.0)
    assert parts[2] == pytest.approx(0.09 / (0.16 + 0.09))
    assert parts[0] == pytest.approx(3 * parts[1])
