"""Readings that share causes are correlated, and their difference is surer than either."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from hilkit.judgement import combine, correlate, difference
from hilkit.judgement.correlation import correlation_matrix, line_correlation, result_correlation
from hilkit.readings import Distribution
from tests.judgement.lines import budget, normal, ripple, within

LEVEL = within(0.3, quantity="analyser level", shared="analyser level")
F1, F2 = 1842.5e6, 1850.0e6
LIGHT_M_S = 299_792_458.0


def test_what_both_readings_share_cancels_and_is_still_listed() -> None:
    product = budget(LEVEL, normal(0.05, 8))
    tone = budget(LEVEL, normal(0.01, 8))
    found = difference(product, tone, "dB")
    assert combine(found).standard == pytest.approx(math.hypot(0.05, 0.01))
    level = found.lines[0]
    assert (level.quantity, level.contribution) == ("analyser level", 0.0)
    assert "cancels" in level.source
    assert len(found.lines) == 3


def test_what_is_not_shared_adds_up() -> None:
    linearity = within(0.1, quantity="linearity")
    found = difference(budget(linearity), budget(linearity), "dB")
    assert [line.sensitivity for line in found.lines] == [1.0, -1.0]
    assert combine(found).standard == pytest.approx(math.sqrt(2) * 0.1 / math.sqrt(3))


def test_a_cause_that_acts_more_on_one_reading_cancels_in_part() -> None:
    found = difference(budget(replace(LEVEL, sensitivity=3.0)), budget(LEVEL), "dB")
    assert found.lines[0].sensitivity == 2.0
    assert found.lines[0].shared == "analyser level"


def test_loss_and_gain_of_one_cause_do_not_cancel() -> None:
    found = difference(budget(LEVEL), budget(replace(LEVEL, sensitivity=-1.0)), "dB")
    assert combine(found).standard == pytest.approx(2 * LEVEL.standard)


def at(frequency_hz: float, length_m: float | None, half_width: float = 0.2):
    return ripple(half_width, shared="mismatch 1", frequency_hz=frequency_hz, length_m=length_m)


@pytest.mark.parametrize("length_m", [0.0, 1.0, 3.0, 10.0, 20.0])
def test_what_is_left_of_a_ripple_is_what_two_simulated_reflections_leave(length_m: float) -> None:
    """A wave that runs to the far reflection and back turns by 2 pi f 2 L / c; its start is anything."""
    phase = np.random.default_rng(5).uniform(0, 2 * math.pi, 200_000)

    def ripple_db(frequency_hz: float) -> np.ndarray:
        turned = np.exp(1j * (phase - 2 * math.pi * frequency_hz * 2 * length_m / LIGHT_M_S))
        return 20 * np.log10(abs(1 + 0.01 * turned))

    drawn = ripple_db(F1) - ripple_db(F2)
    half_width = 20 / math.log(10) * 0.01
    first, second = at(F1, length_m, half_width), at(F2, length_m, half_width)
    found = difference(budget(first), budget(second), "dB")
    assert combine(found).standard == pytest.approx(drawn.std(), rel=0.01, abs=1e-6)
    assert correlate([first], [second]) == pytest.approx(
        np.corrcoef(ripple_db(F1), ripple_db(F2))[0, 1], abs=0.01
    )
    assert combine(found).expanded == pytest.approx(np.quantile(abs(drawn), 0.95), rel=0.01, abs=1e-6)


def test_ripples_over_a_line_of_unknown_length_count_as_independent() -> None:
    first, second = at(F1, None), at(F2, None)
    assert line_correlation(first, second) == 0.0
    assert combine(difference(budget(first), budget(second), "dB")).standard == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({}, 1.0),
        ({"shared": ""}, 0.0),
        ({"shared": "another"}, 0.0),
        ({"frequency_hz": None}, 0.0),
        ({"frequency_hz": F2, "length_m": 2.0}, 0.0),
        ({"frequency_hz": F2}, math.cos(4 * math.pi * (F1 - F2) / LIGHT_M_S)),
    ],
)
def test_lines_correlate_by_their_cause_frequency_and_length(change, expected: float) -> None:
    line = at(F1, 1.0)
    assert line_correlation(line, replace(line, **change)) == pytest.approx(expected)


def test_readings_over_one_path_are_correlated_by_the_share_of_the_path() -> None:
    first = [LEVEL, normal(LEVEL.standard)]
    assert correlate(first, first) == pytest.approx(0.5)
    assert correlate(first, [replace(LEVEL, sensitivity=-1.0)]) == pytest.approx(-math.sqrt(0.5))
    assert correlate(first, [normal(0.0)]) == 0.0


def test_stated_correlations_of_both_budgets_stay_but_for_what_cancels() -> None:
    pair = (normal(0.3, shared="a"), normal(0.4))
    first = budget(*pair, correlations={(0, 1): 0.5})
    second = budget(within(0.2), *pair, correlations={(1, 2): 0.5, (0, 2): 0.25})
    found = difference(first, second, "dB")
    assert [line.sensitivity for line in found.lines] == [0.0, 1.0, -1.0, -1.0]
    expected = [[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0.25], [0, 0, 0.25, 1]]
    matrix = correlation_matrix(found.lines, found.correlations)
    assert matrix == pytest.approx(np.array(expected))


def test_one_unknown_of_many_of_the_same_cause_is_merged_one_by_one() -> None:
    """Two joints of one tag in the one reading against one in the other: 0.2 + 0.2 - 0.2 dB is left."""
    line = within(0.2, shared="coupler 1")
    found = difference(budget(line, line), budget(line), "dB")
    assert combine(found).standard == pytest.approx(line.standard)


def test_a_missing_figure_that_cancels_is_not_missed() -> None:
    unknown = normal(0.0, stated=False, shared="analyser level", source="no level accuracy")
    product = budget(unknown, normal(0.1))
    assert difference(product, product, "dB").missing == ()
    own = budget(replace(unknown, shared=""))
    assert difference(own, budget(), "dB").missing == ("no level accuracy",)


def test_a_difference_of_differences_cancels_again() -> None:
    tone = budget(LEVEL, normal(0.02, shared="tone scatter"))
    image, leak = budget(LEVEL, normal(0.1)), budget(LEVEL, normal(0.2))
    both = difference(difference(image, tone, "dB"), difference(leak, tone, "dB"), "dB")
    assert combine(both).standard == pytest.approx(math.hypot(0.1, 0.2))


def test_shapes_that_do_not_stay_themselves_are_correlated_not_merged() -> None:
    first = within(0.2, shared="flatness", frequency_hz=F1, length_m=5.0)
    second = replace(first, frequency_hz=F2)
    found = difference(budget(first), budget(second), "dB")
    assert len(found.lines) == 2
    r = line_correlation(first, second)
    assert combine(found).standard == pytest.approx(first.standard * math.sqrt(2 - 2 * r))
    assert first.distribution is Distribution.RECTANGULAR


def test_results_of_which_one_is_exact_are_not_correlated() -> None:
    assert result_correlation([0.0, 0.0], [1.0, 1.0]) == 0.0
    assert result_correlation([1.0, 1.0], [1.0, 1.0]) == pytest.approx(1.0)


def test_a_ripple_that_its_own_budget_ties_to_another_line_stays_as_it_is() -> None:
    first = budget(at(F1, 1.0), normal(0.1), correlations={(0, 1): 0.2})
    found = difference(first, budget(at(F2, 1.0)), "dB")
    assert [line.quantity for line in found.lines] == ["mismatch", "scatter", "mismatch"]
    r = math.cos(4 * math.pi * (F1 - F2) / LIGHT_M_S)
    u = 0.2 / math.sqrt(2)
    assert combine(found).standard == pytest.approx(math.sqrt(2 * u * u * (1 - r) + 0.01 + 2 * 0.2 * u * 0.1))
