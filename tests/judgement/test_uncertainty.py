"""A budget becomes an uncertainty whose interval fits its shape, cheaply and always the same."""

from __future__ import annotations

import math
import time

import pytest

from hilkit.judgement import UncertaintyError, combine, propagate
from hilkit.judgement.montecarlo import spread_of
from hilkit.readings import Budget, BudgetLine, Distribution
from tests.judgement.lines import budget, normal, ripple, within


def test_contributions_add_in_squares_with_their_sensitivities() -> None:
    found = combine(budget(normal(0.3), normal(0.2, sensitivity=-2.0)))
    assert found.standard == pytest.approx(0.5)
    assert found.unit == "dB"
    assert found.interval == (-found.expanded, found.expanded)
    assert found.expanded == pytest.approx(found.coverage_factor * found.standard)


def test_a_budget_without_any_uncertainty_is_exact() -> None:
    found = combine(budget())
    assert (found.standard, found.expanded, found.method) == (0.0, 0.0, "law of propagation")
    assert (found.probability_below(0.0), found.probability_below(-1e-9)) == (1.0, 0.0)
    assert found.distance(0.99) == 0.0


def test_the_same_budget_has_the_same_interval_in_every_run() -> None:
    lines = (within(0.3), ripple(0.1), normal(0.05, 4))
    first = combine(budget(*lines))
    spread_of.cache_clear()
    assert combine(budget(*reversed(lines))) == first


def test_the_unit_of_the_reading_does_not_change_the_coverage_factor() -> None:
    small = combine(budget(within(3e-9), normal(1e-9)))
    large = combine(budget(within(3e6), normal(1e6)))
    assert small.coverage_factor == pytest.approx(large.coverage_factor)


def test_budgets_that_differ_by_their_scatter_alone_share_their_trials() -> None:
    spread_of.cache_clear()
    for step in range(300):
        combine(budget(within(0.3), ripple(0.1), normal(0.05 + step * 1e-5)))
    assert spread_of.cache_info().misses <= 12


def test_a_thousand_budgets_of_one_kind_take_less_than_two_seconds() -> None:
    combine(budget(within(0.3), normal(0.05)))
    started = time.process_time()
    for _ in range(1000):
        combine(budget(within(0.3), normal(0.05)))
    assert time.process_time() - started < 2.0


def test_correlated_lines_combine_with_their_coefficient() -> None:
    """JCGM 100:2008, 5.2.2: u^2 = u1^2 + u2^2 + 2 r u1 u2."""
    found = combine(budget(normal(0.3), normal(0.4), correlations={(0, 1): 0.5}))
    assert found.standard == pytest.approx(math.sqrt(0.09 + 0.16 + 0.12))


def test_lines_of_one_shared_cause_add_up_straight() -> None:
    found = combine(budget(within(0.3, shared="coupler 1"), within(0.2, shared="coupler 1")))
    assert found.standard == pytest.approx(0.5 / math.sqrt(3))
    assert found.coverage_factor == pytest.approx(0.95 * math.sqrt(3), abs=0.01)


def test_partly_correlated_rectangles_are_drawn_together() -> None:
    """Two equal rectangles with r = 0.999 are nearly one; with r = 0 their sum is a triangle."""
    alike = combine(budget(within(0.3), within(0.3), correlations={(0, 1): 0.999}))
    assert alike.method == "Monte Carlo"
    assert alike.coverage_factor == pytest.approx(1.645, abs=0.02)
    apart = combine(budget(within(0.3), within(0.3)))
    assert apart.coverage_factor == pytest.approx(1.902, abs=0.01)  # triangle, closed form


def test_degrees_of_freedom_of_correlated_scatter_are_said_not_to_be_defined() -> None:
    """JCGM 100:2008, G.4.1, note 1: Welch-Satterthwaite is for independent quantities."""
    found = combine(budget(normal(0.3, 4), normal(0.4, 9), correlations={(0, 1): 0.5}))
    assert found.degrees_of_freedom == 4
    assert "not defined for correlated" in found.warning


def test_effective_degrees_of_freedom_are_cut_and_never_below_one() -> None:
    found = combine(budget(normal(1.0, 4), normal(1.0, 5)), method="law of propagation")
    assert found.degrees_of_freedom == 8  # 2^2 / (1/4 + 1/5) = 8.89
    assert combine(budget(normal(1.0, 0.5))).degrees_of_freedom == 1


def test_the_method_can_be_asked_for() -> None:
    lines = budget(within(0.3))
    assert combine(lines, method="law of propagation").coverage_factor == pytest.approx(1.96, abs=0.001)
    assert combine(budget(normal(0.3)), method="Monte Carlo").coverage_factor == pytest.approx(1.96, abs=0.02)


def test_a_difference_between_the_methods_is_told_and_a_small_one_is_not() -> None:
    told = combine(budget(within(0.3)))
    assert "+-0.339 dB" in told.warning
    assert "Monte Carlo interval is the one stated" in told.warning
    assert combine(budget(*[within(0.1)] * 5)).warning == ""


def test_the_law_is_not_kept_silently_beyond_the_numerical_tolerance() -> None:
    """JCGM 101:2008, 7.9.2 and 8.1: for u = 0.099 dB the tolerance is 0.0005 dB, 0.5 % of u.

    With a rectangle of 60 % of u beside a normal part, k is 1.9412 (the convolution, integrated numerically)
    and not 1.9600: 0.0019 dB of U.
    """
    lines = within(0.6 * 0.099 * math.sqrt(3)), normal(0.8 * 0.099)
    found = combine(budget(*lines))
    assert found.expanded == pytest.approx(1.9412 * 0.099, abs=0.02 * 0.099)
    assert "numerical tolerance of 0.0005 dB (JCGM 101, 8.1)" in found.warning
    assert "the interval of the law is the one stated" in found.warning
    wide = within(0.6 * 0.101 * math.sqrt(3)), normal(0.8 * 0.101)  # tolerance 0.005 dB, 5 % of u
    assert combine(budget(*wide)).warning == ""


@pytest.mark.parametrize("unit", ["dBm", "dBc"])
@pytest.mark.parametrize("lines", [(within(0.3),), (within(0.0594 * math.sqrt(3)), normal(0.0792))])
def test_a_warning_tells_a_difference_of_levels_in_db(unit: str, lines: tuple[BudgetLine, ...]) -> None:
    """Two levels differ by a ratio, whose unit is dB; common practice, no source."""
    warning = combine(budget(*lines, unit=unit)).warning
    assert " dB" in warning
    assert unit not in warning


def test_what_nobody_gave_a_figure_for_is_listed() -> None:
    unknown = normal(0.0, stated=False, source="no level accuracy in the bench file")
    assert combine(budget(within(0.3), unknown)).missing == ("no level accuracy in the bench file",)


def test_the_probabilities_around_the_value_are_those_of_the_budget() -> None:
    rectangle = combine(budget(within(0.3)))
    assert rectangle.probability_below(0.15) == pytest.approx(0.75, abs=0.005)
    assert rectangle.probability_below(0.31) == 1.0
    few = combine(budget(normal(0.1, 2)))
    assert few.probability_below(0.4303) == pytest.approx(0.975, abs=1e-4)
    assert few.distance(0.975) == pytest.approx(0.4303, abs=1e-4)


@pytest.mark.parametrize("top", [0.0, 0.3, 1.0])
def test_a_trapezoid_has_its_shape_from_limit_and_standard_uncertainty(top: float) -> None:
    line = BudgetLine(
        quantity="two rectangles",
        estimate=0.0,
        unit="dB",
        half_width=1.0,
        standard=math.sqrt((1 + top**2) / 6),
        distribution=Distribution.TRAPEZOIDAL,
        divisor=math.sqrt(6 / (1 + top**2)),
        source="calibration",
    )
    expected = {0.0: 1.902, 0.3: 1.846, 1.0: 1.645}[top]  # EA-4/02, S10: closed form of the trapezoid
    assert combine(budget(line)).coverage_factor == pytest.approx(expected, abs=0.01)


def test_correlations_that_contradict_each_other_are_refused() -> None:
    lines = [normal(1.0, quantity=name) for name in ("a", "b", "c")]
    with pytest.raises(UncertaintyError, match="a, b, c contradict each other") as caught:
        combine(budget(*lines, correlations={(0, 1): 0.9, (1, 2): 0.9, (0, 2): -0.9}))
    assert isinstance(caught.value, ValueError)
    assert "check the coefficients" in str(caught.value)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"standard": -0.1}, "at or above 0, not -0.1"),
        ({"standard": math.nan}, "at or above 0"),
        ({"degrees_of_freedom": 0.0}, "degrees of freedom are above 0"),
        ({"half_width": -0.3}, "half-width"),
        ({"divisor": 0.0}, "divisor"),
        ({"sensitivity": math.inf}, "sensitivity"),
        ({"estimate": math.nan}, "estimate"),
        ({"distribution": Distribution.TRAPEZOIDAL}, "trapezoid needs its half-width"),
        ({"distribution": Distribution.TRAPEZOIDAL, "half_width": 5.0}, "trapezoid needs its half-width"),
    ],
)
def test_a_figure_that_cannot_be_is_refused_with_its_quantity(fields: dict[str, object], words: str) -> None:
    known: dict[str, object] = {
        "quantity": "analyser level",
        "estimate": 0.0,
        "unit": "dB",
        "standard": 0.1,
        "distribution": Distribution.NORMAL,
        "divisor": 1.0,
        "source": "bench file",
    }
    with pytest.raises(UncertaintyError, match=words) as caught:
        BudgetLine(**{**known, **fields})  # type: ignore[arg-type]
    assert "analyser level" in str(caught.value)


@pytest.mark.parametrize("half_width", [0.0, -0.3, math.nan, math.inf])
def test_a_distribution_without_a_width_is_refused(half_width: float) -> None:
    with pytest.raises(UncertaintyError, match="needs a width above 0"):
        within(half_width)


@pytest.mark.parametrize(
    ("pair", "r", "words"), [((0, 1), 1.2, "-1..1, not at 1.2"), ((1, 0), 0.5, "no pair")]
)
def test_a_correlation_that_cannot_be_is_refused(pair: tuple[int, int], r: float, words: str) -> None:
    with pytest.raises(UncertaintyError, match=words):
        budget(normal(1.0), normal(1.0), correlations={pair: r})


def test_the_new_shapes_survive_the_record() -> None:
    lines = tuple(within(0.1, shape) for shape in Distribution if shape.divisor > 1)
    assert len(lines) == 8
    assert Budget.from_data(budget(*lines).to_data()) == budget(*lines)


SHAPES = [
    (ripple(0.3), normal(0.016)),
    (ripple(0.3), normal(0.005), within(0.01)),
    (within(0.3), normal(0.1, 6), normal(0.05)),
    (within(0.3), within(0.1), ripple(0.2)),
    (within(0.2, Distribution.TWO_MAGNITUDES), normal(0.01)),
    tuple(within(0.1 + index / 50) for index in range(6)),
]


@pytest.mark.parametrize("lines", SHAPES)
def test_the_interval_is_that_of_a_million_trials_of_the_very_budget(lines: tuple[BudgetLine, ...]) -> None:
    """The shared trials of like budgets stand for each of them to 1 % of the interval."""
    exact = propagate(lambda *x: sum(x), lines, trials=1_000_000)
    found = combine(budget(*lines))
    assert found.expanded == pytest.approx((exact.interval[1] - exact.interval[0]) / 2, rel=0.012)


def test_many_small_parts_are_drawn_as_they_are() -> None:
    """36 equal parts have a share of 16.7 % each: rounded up to 17 %, 35 would be more than the whole."""
    found = combine(budget(*[ripple(0.01)] * 36), method="Monte Carlo")
    assert found.coverage_factor == pytest.approx(1.96, abs=0.03)
