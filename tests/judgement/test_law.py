"""The law of propagation for models: what second order needs, and where it does not apply."""

from __future__ import annotations

import pytest

from hilkit.judgement import UncertaintyError, law_of_propagation
from tests.judgement.lines import normal


def test_second_order_of_a_square_at_zero_is_what_first_order_misses() -> None:
    """JCGM 100:2008, 5.1.2, note: of x^2 at 0 the only term left is (2)^2 u^4 / 2."""
    line = normal(0.3)
    assert law_of_propagation(lambda x: x * x, [line]).standard == 0.0
    found = law_of_propagation(lambda x: x * x, [line], second_order=True)
    assert found.standard == pytest.approx(2**0.5 * 0.09)
    assert found.second_order == pytest.approx(found.standard)


def test_the_third_derivative_counts() -> None:
    """Of x^3 at 1: f' f''' = 3 * 6, f''^2 / 2 = 18; u^2 = 9 u^2 + 36 u^4."""
    found = law_of_propagation(lambda x: x**3, [normal(0.1, estimate=1.0)], second_order=True)
    assert found.standard**2 == pytest.approx(0.09 + 36e-4, rel=1e-3)


def test_a_product_has_the_exact_variance_of_independent_factors() -> None:
    """Goodman's closed form: a^2 v + b^2 u + u v (in squares); the second order of a product is exact."""
    lines = [normal(0.2, estimate=3.0), normal(0.5, estimate=-2.0)]
    found = law_of_propagation(lambda a, b: a * b, lines, second_order=True)
    assert found.standard**2 == pytest.approx(9 * 0.25 + 4 * 0.04 + 0.04 * 0.25)
    assert found.sensitivities == pytest.approx((-2.0, 3.0))


def test_a_quantity_that_is_exact_has_no_sensitivity() -> None:
    assert law_of_propagation(lambda x: 5 * x, [normal(0.0, estimate=1.0)]).sensitivities == (0.0,)


def test_second_order_is_refused_for_correlated_quantities() -> None:
    with pytest.raises(UncertaintyError, match="not correlated"):
        law_of_propagation(
            lambda a, b: a * b, [normal(1.0)] * 2, correlations={(0, 1): 0.5}, second_order=True
        )
