"""Random budgets, worked out by two independent packages: GTC and uncertainties."""

from __future__ import annotations

import math
import warnings

import GTC
import numpy as np
import pytest
import uncertainties

from hilkit.judgement import combine, correlate, difference, law_of_propagation, student_factor
from hilkit.judgement.correlation import correlation_matrix
from hilkit.readings import Budget, BudgetLine
from tests.external.budgets import budget, normal


def random_lines(seed: int, *, freedom: bool) -> list[BudgetLine]:
    generator = np.random.default_rng(seed)
    count = int(generator.integers(2, 12))
    return [
        normal(
            float(generator.uniform(0.001, 2.0)),
            float(generator.integers(3, 60)) if freedom and generator.random() < 0.6 else math.inf,
            sensitivity=float(generator.uniform(-3, 3)),
        )
        for _ in range(count)
    ]


@pytest.mark.parametrize("seed", range(60))
def test_independent_budgets_agree_with_gtc(seed: int) -> None:
    lines = random_lines(seed, freedom=True)
    found = combine(budget(*lines), method="law of propagation")
    inputs = [GTC.ureal(line.estimate, line.standard, line.degrees_of_freedom) for line in lines]
    theirs = sum(line.sensitivity * x for line, x in zip(lines, inputs, strict=True))
    assert found.standard == pytest.approx(theirs.u, rel=1e-12)
    assert found.degrees_of_freedom == (math.floor(theirs.df + 1e-9) if theirs.df < 1e6 else math.inf)
    k = GTC.reporting.k_factor(theirs.df, 95)  # theirs is good to five digits for many degrees of freedom
    assert student_factor(0.95, theirs.df) == pytest.approx(k, rel=1e-5)


def random_correlations(count: int, seed: int) -> np.ndarray:
    """A correlation matrix that is possible: of random mixtures of as many causes."""
    causes = np.random.default_rng(seed).normal(size=(count, count))
    covariance = causes @ causes.T
    scale = np.sqrt(np.diag(covariance))
    return covariance / np.outer(scale, scale)


@pytest.mark.parametrize("seed", range(60))
def test_correlated_budgets_agree_with_uncertainties(seed: int) -> None:
    lines = random_lines(seed, freedom=False)
    matrix = random_correlations(len(lines), seed)
    pairs = {
        (i, j): float(np.clip(matrix[i, j], -1, 1))
        for i in range(len(lines))
        for j in range(i + 1, len(lines))
    }
    found = combine(budget(*lines, correlations=pairs))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = uncertainties.correlated_values_norm([(0.0, line.standard) for line in lines], matrix)
    total = sum(line.sensitivity * x for line, x in zip(lines, theirs, strict=True))
    assert found.standard == pytest.approx(total.std_dev, rel=1e-9)
    assert found.expanded == pytest.approx(1.959964 * total.std_dev, rel=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_a_model_that_is_not_linear_has_the_sensitivities_that_gtc_differentiates(seed: int) -> None:
    generator = np.random.default_rng(seed)
    at, u = generator.uniform(0.5, 3.0, 3), generator.uniform(0.001, 0.02, 3)
    lines = [normal(float(s), 10, estimate=float(x)) for x, s in zip(at, u, strict=True)]
    found = law_of_propagation(lambda a, b, c: a * math.exp(-b) / (1 + c * c), lines)
    a, b, c = (GTC.ureal(float(x), float(s), 10) for x, s in zip(at, u, strict=True))
    theirs = a * GTC.exp(-b) / (1 + c * c)
    assert found.estimate == pytest.approx(theirs.x, rel=1e-12)
    assert found.standard == pytest.approx(theirs.u, rel=1e-6)
    assert found.degrees_of_freedom == pytest.approx(theirs.df, rel=1e-5)
    signed = [GTC.component(theirs, x) for x in (a, b, c)]
    assert [abs(x) for x in found.contributions] == pytest.approx(signed, rel=1e-6)


def shared_budgets(seed: int) -> tuple[Budget, Budget]:
    """Two readings: some causes are common, with other sensitivities; the rest is each one's own."""
    generator = np.random.default_rng(seed)
    common = [float(x) for x in generator.uniform(0.05, 0.5, 4)]

    def one() -> Budget:
        lines = [
            normal(u, shared=f"element {index}", sensitivity=float(generator.uniform(0.5, 2)))
            for index, u in enumerate(common)
        ]
        return budget(*lines, *random_lines(int(generator.integers(1e6)), freedom=False), unit="dB")

    return one(), one()


@pytest.mark.parametrize("seed", range(40))
def test_a_difference_and_its_correlation_agree_with_uncertainties(seed: int) -> None:
    """The package follows the common variables by itself; here they are told by the shared cause."""
    first, second = shared_budgets(seed)
    variables: dict[str, uncertainties.UFloat] = {}

    def value(reading: Budget) -> uncertainties.UFloat:
        parts = []
        for line in reading.lines:
            fresh = uncertainties.ufloat(0, line.standard)
            common = variables.setdefault(line.shared, fresh) if line.shared else fresh
            parts.append(line.sensitivity * common)
        return sum(parts[1:], parts[0])

    a, b = value(first), value(second)
    found = combine(difference(first, second, "dB"))
    assert found.standard == pytest.approx((a - b).std_dev, rel=1e-9)
    theirs = uncertainties.correlation_matrix([a, b])[0, 1]
    assert correlate(first.lines, second.lines) == pytest.approx(theirs, rel=1e-9)
    both = correlation_matrix([*first.lines, *second.lines])
    assert np.count_nonzero(both) == len(both) + 2 * 4
