"""Settled means: entered the tolerance and stayed (common practice, no source)."""

import pytest

from hilkit.analysis import settled_after

TIMES = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]


def test_the_first_time_inside_does_not_count_if_the_value_leaves_again():
    assert settled_after(TIMES, [9, 0.5, 3, 0.9, 0.2, 0.1], target=0.0, tolerance=1.0) == 3.0


def test_a_value_that_never_was_outside_settled_at_the_first_sample():
    assert settled_after(TIMES, [0, 0, 0, 0, 0, 0], target=0.0, tolerance=1.0) == 0.0


def test_a_value_that_ends_outside_has_not_settled():
    assert settled_after(TIMES, [9, 0, 0, 0, 0, 2], target=0.0, tolerance=1.0) is None


def test_the_edge_of_the_tolerance_belongs_to_it():
    assert settled_after([0.0, 1.0], [5.0, 1.0], target=0.0, tolerance=1.0) == 1.0


def test_an_exponential_is_settled_when_its_rest_is_the_tolerance():
    times = [index * 0.01 for index in range(1000)]
    values = [10.0 * 2.718281828459045 ** (-t) for t in times]
    # ln(10/0.1) = 4.605 time constants
    assert settled_after(times, values, target=0.0, tolerance=0.1) == pytest.approx(4.605, abs=0.011)


@pytest.mark.parametrize(("times", "values"), [([], []), ([0.0], [1.0, 2.0]), ([1.0, 0.0], [1.0, 2.0])])
def test_what_is_no_record_over_time_is_refused(times, values):
    with pytest.raises(ValueError, match=r"lengths|rise"):
        settled_after(times, values, target=0.0, tolerance=1.0)
