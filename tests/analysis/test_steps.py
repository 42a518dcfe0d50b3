"""Step errors, cumulative errors, monotonicity, and joining where the pad had to move."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hilkit.analysis import (
    cumulative_errors_db,
    join_segments,
    range_covered_db,
    smallest_step_db,
    step_errors_db,
)

errors = st.lists(st.floats(-0.4, 0.4), min_size=2, max_size=30)


@given(errors)
def test_errors_of_the_codes_come_back_from_their_levels(code_errors):
    settings = np.arange(len(code_errors), dtype=float)
    level = 20.0 - settings - np.array(code_errors)
    assert cumulative_errors_db(settings, level) == pytest.approx(
        code_errors[0] - np.array(code_errors), abs=1e-9
    )
    assert step_errors_db(settings, level) == pytest.approx(-np.diff(code_errors), abs=1e-9)


@given(errors)
def test_the_steps_add_up_to_the_cumulative_error(code_errors):
    settings = np.arange(len(code_errors), dtype=float)[::-1]
    level = -settings + np.array(code_errors)
    assert np.cumsum(step_errors_db(settings, level)) == pytest.approx(
        cumulative_errors_db(settings, level)[1:]
    )


def test_a_level_that_rises_with_attenuation_is_not_monotonic():
    assert smallest_step_db([0, 1, 2], [0.0, -1.2, -1.1]) == pytest.approx(-0.1)
    assert smallest_step_db([2, 1, 0], [-1.9, -1.0, 0.0]) == pytest.approx(0.9)


def test_equal_settings_have_no_step_between_them():
    with pytest.raises(ValueError, match="no step between"):
        smallest_step_db([1, 1], [0.0, 0.0])


def test_the_range_is_from_the_highest_to_the_lowest():
    assert range_covered_db([1.0, -29.5, 3.0]) == 32.5


def test_one_point_has_no_errors():
    with pytest.raises(ValueError, match="2 or more"):
        step_errors_db([0.0], [1.0])


@given(st.floats(-1, 1), st.floats(-1, 1))
def test_errors_of_the_pad_do_not_pass_for_errors_of_the_radio(first_pad_error, second_pad_error):
    true = np.array([0.0, -1.02, -1.97, -3.05, -4.0, -5.1])
    segments = [
        true[:3],
        true[2:5] + 10 + first_pad_error,
        true[4:] + 20 + second_pad_error,
    ]
    joined, moves = join_segments([list(segment) for segment in segments])
    assert joined == pytest.approx(true, abs=1e-9)
    assert moves == pytest.approx([10 + first_pad_error, 10 + second_pad_error - first_pad_error], abs=1e-9)


@pytest.mark.parametrize("segments", [[], [[]], [[1.0, 2.0], [2.0]]])
def test_segments_that_cannot_be_joined_are_refused(segments):
    with pytest.raises(ValueError, match="overlap point"):
        join_segments(segments)
