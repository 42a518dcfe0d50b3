"""Published budgets, their figures written as a bench file would have them.

EA-4/02 M:2013 (rev. 2022), supplement 2, example S7: coaxial step attenuator, 30 dB of loss at 10 GHz.
Model L_X = L_S + dL_S + dL_D + dL_M + dL_K + dL_ib - dL_ia + dL_0b - dL_0a, all sensitivities 1; published:
u = 0.0224 dB (0.0224185377162145 dB and 108 degrees of freedom in a public copy of the example), U = 0.045 dB
with k = 2.00.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from hilkit.bench.accuracy import InstrumentAccuracy, figure_of
from hilkit.files import loads, validate
from hilkit.judgement.mismatch import Reflection, mismatch_line
from hilkit.judgement.uncertainty import combine
from hilkit.procedures.budgets import scatter_line
from hilkit.readings import Budget, BudgetLine, Distribution

READINGS_DB = (30.033, 30.058, 30.018, 30.052)
MISMATCH_DB = 0.0283
S7 = {
    "calibration of the standard": "{expanded: 0.005 dB, k: 2}",
    "drift of the standard": "0.002 dB",
    "leakage": "0.003 dB",
    "resolution below": "0.0005 dB",
    "resolution above": "0.0005 dB",
    "null detector, 0 dB": "{standard: 0.002 dB}",
    "null detector, 30 dB": "{standard: 0.002 dB}",
}


def line(quantity: str, text: str) -> BudgetLine:
    entry = validate(loads(f"level: {text}", "bench.yaml"), InstrumentAccuracy).level
    figure = figure_of(entry, "EA-4/02 S7")
    assert figure is not None
    return figure.line(quantity)


def mismatch() -> BudgetLine:
    magnitude = math.sqrt(MISMATCH_DB * math.log(10) / 20)
    port = Reflection(magnitude)
    return mismatch_line(port, port, quantity="mismatch", source="EA-4/02 S7")


@pytest.fixture
def budget() -> Budget:
    scatter = BudgetLine(
        quantity="four readings",
        estimate=float(np.mean(READINGS_DB)),
        unit="dB",
        standard=float(np.std(READINGS_DB, ddof=1)) / 2,
        distribution=Distribution.NORMAL,
        divisor=1.0,
        degrees_of_freedom=3,
        source="EA-4/02 S7",
    )
    lines = (scatter, mismatch(), *(line(quantity, text) for quantity, text in S7.items()))
    return Budget(unit="dB", lines=lines)


def test_the_mismatch_of_s7_has_the_published_uncertainty():
    assert mismatch().half_width == pytest.approx(MISMATCH_DB)
    assert mismatch().standard == pytest.approx(0.0200, abs=5e-5)
    assert mismatch().distribution is Distribution.ARCSINE


def test_the_attenuator_of_s7_has_the_published_uncertainty(budget):
    stated = combine(budget, probability=0.9545, method="law of propagation")
    assert stated.standard == pytest.approx(0.0224185377162145, rel=1e-12)
    assert stated.degrees_of_freedom == 108
    assert round(stated.expanded, 3) == 0.045
    assert round(stated.coverage_factor, 1) == 2.0


def test_two_digits_of_scatter_do_not_change_what_s7_publishes(budget):
    first, *others = budget.lines
    rounded = scatter_line(
        "four readings", first.standard, unit="dB", freedom=3, source="scatter stated to two digits"
    )
    stated = combine(Budget(unit="dB", lines=(rounded, *others)), method="law of propagation")
    assert round(stated.standard, 4) == 0.0224
