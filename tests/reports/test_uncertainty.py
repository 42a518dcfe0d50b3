"""The uncertainty stands beside the value and the risk beside the verdict, on any width."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from hilkit.judgement import DecisionRule, Limit, StatedDecision, StatedUncertainty, combine
from hilkit.readings import Bound, Budget, BudgetLine, Distribution, Verdict
from hilkit.record import Outcome, StepBegun, StepEnded, StoredReading, StoredRun
from hilkit.reports import PlainScreen, explanation_block, junit_tree, show_run
from hilkit.reports.lines import figure_text
from hilkit.reports.rows import reading_table
from tests.record.samples import PLANNED, begun, reading, stored
from tests.record.sure import sure_night, taken


@pytest.fixture
def run(tmp_path: Path) -> StoredRun:
    return stored(tmp_path, sure_night())


def shown(run: StoredRun, width: int) -> str:
    stream = io.StringIO()
    screen = PlainScreen(stream)
    screen.width = width
    show_run(run, screen)
    return stream.getvalue()


def explained(run: StoredRun, number: int, *, width: int = 100) -> str:
    (found,) = (item for step in run.steps for item in step.readings if item.number == number)
    return "\n".join(line.text for line in explanation_block(found, width=width))


# u = sqrt(0.3^2 / 3 + 0.02^2) = 0.174 dB; the rectangle rules, so U is near 0.95 x 0.3 dB (EA-4/02, S9).
def test_a_table_has_the_expanded_uncertainty_and_the_risk(run: StoredRun) -> None:
    text = shown(run, 100)
    assert "reading" in text and "U (95 %)" in text and "risk" in text
    (row,) = (line for line in text.splitlines() if "10.000 dBm" in line and "max 12 dBm" in line)
    assert "10.000 dBm 0.29 dB max 12 dBm +2.000 dB PFA < 0.01 % pass" in " ".join(row.split())


def test_an_uncertainty_that_lacks_a_part_is_marked_and_the_part_is_told_below(run: StoredRun) -> None:
    text = shown(run, 100)
    assert "10.000 dBm  > 0.2" in text
    assert text.count("  U is incomplete: no uncertainty of cable 1") == 2


def test_what_is_counted_has_no_uncertainty_and_no_risk(run: StoredRun) -> None:
    (row, _) = (line.split() for line in shown(run, 120).splitlines() if line.strip().startswith("locked"))
    assert row == ["locked", "1", "min", "1", "+0", "pass"]


@pytest.mark.parametrize("width", [60, 80, 100])
def test_nothing_is_wider_than_the_screen(run: StoredRun, width: int) -> None:
    assert max(map(len, shown(run, width).splitlines())) <= max(width, 80)
    assert max(map(len, explained(run, 8, width=80).splitlines())) <= 80


def test_the_rule_is_told_at_the_beginning_and_in_the_summary(tmp_path: Path) -> None:
    told = replace(begun(()), rule="guard band", calibration=("the calibration of analyser ran out",))
    text = shown(stored(tmp_path, [told]), 100)
    assert text.count("decision rule: guard band") == 2
    assert text.count("warning: the calibration of analyser ran out") == 2


def test_junit_has_u_k_rule_and_both_probabilities(run: StoredRun) -> None:
    root = junit_tree(run).getroot()
    assert isinstance(root, ET.Element)
    out = "".join(element.text or "" for element in root.iter("system-out"))
    (line,) = (item for item in out.splitlines() if item.startswith("tone_level.corrected = 11.900"))
    assert "U 0.2" in line and "(95 %, k 1." in line and "Monte Carlo, warning: the law" in line
    assert "rule guard band of 1 times the expanded uncertainty guard band 0.2" in line
    assert " PFA " in line and " PFR " in line
    assert "distance -45.000 dB U 0.2" in out
    assert ", incomplete" in out
    names = {item.attrib["name"] for item in root.iter("property")}
    assert {"decision_rule", "expired_calibration_allowed"} <= names


# --- the budget laid open


def test_a_budget_is_shown_largest_line_first_with_source_and_method(run: StoredRun) -> None:
    text = explained(run, 3, width=200)
    assert text.index("analyser level") < text.index("noise")
    assert "rectangular; bench file: analyser level" in text
    row = next(line.split() for line in text.splitlines() if line.strip().startswith("analyser level"))
    # divisor sqrt(3), contribution 0.3 / sqrt(3) = 0.17: JCGM 100:2008, 4.3.7; share 0.03 / 0.0304
    assert row == ["analyser", "level", "+-0.30", "dB", "1.73", "1", "0.17", "dB", "98.7", "%", "inf"]
    assert "by Monte Carlo: U = 0.2" in text
    assert "warning: the law of propagation would state" in text
    rule, had = "probability of false acceptance < 0.01 %", "had it been rejected, probability of false"
    assert f"expanded uncertainty, guard band 0.29 dB; {rule}; {had} rejection > 99.99 %" in text


def judged(run: StoredRun, number: int, **changes: object) -> StoredReading:
    (found,) = (item for step in run.steps for item in step.readings if item.number == number)
    return replace(found, **changes)  # type: ignore[arg-type]


# JCGM 106:2012, 9.3.1: the specific risk of an accepted item, and that of a rejected one.
@pytest.mark.parametrize(
    ("verdict", "told", "cell"),
    [
        (Verdict.PASS, "; probability of false acceptance 3 %; had it been rejected", "PFA 3 %"),
        (Verdict.FAIL, "; probability of false rejection 97 %; had it been accepted", "PFR 97 %"),
        (Verdict.INCONC, "rejected, probability of false rejection 97 %; had it been accepted", "PFA 3 %"),
    ],
)
def test_the_risk_of_the_decision_taken_comes_first(run, verdict: Verdict, told: str, cell: str) -> None:
    decision = StatedDecision(rule="a rule", false_acceptance=0.03, false_rejection=0.97)
    found = judged(run, 3, verdict=verdict, decision=decision)
    assert told in " ".join(item.text.strip() for item in explanation_block(found, width=100))
    assert any(cell in item.text for item in reading_table([found], width=100))


def test_a_bound_states_the_most_that_accepting_it_can_risk(run: StoredRun) -> None:
    decision = StatedDecision(rule="a rule", false_acceptance=0.05, at_most=True)
    found = judged(run, 3, verdict=Verdict.PASS, decision=decision, bound=Bound.UPPER)
    assert any("PFA <= 5 %" in item.text for item in reading_table([found], width=100))
    text = " ".join(item.text.strip() for item in explanation_block(found, width=100))
    assert "probability of false acceptance <= 5 %" in text and "rejected" not in text


def test_a_verdict_without_an_uncertainty_says_so_everywhere(tmp_path: Path) -> None:
    step = PLANNED[1]
    bare = reading(step, "tone_level", 10.0, "dBm", phase="corrected")
    limit = Limit(unit="dBm", high=12.0, phase="corrected")
    taken_bare = taken(step, bare, limit, rule=DecisionRule())
    done = StepEnded(planned=step, outcome=Outcome.DONE, verdict=Verdict.PASS, took_s=1.0)
    run = stored(tmp_path, [begun((step,)), StepBegun(planned=step), taken_bare, done])
    text = shown(run, 100)
    assert "uncertainty not stated: tone_level corrected" in text
    (found,) = run.steps[0].readings
    assert found.reason == "uncertainty not stated"
    assert "uncertainty not stated" in explained(run, found.number)
    root = junit_tree(run).getroot()
    assert root is not None
    out = "".join(element.text or "" for element in root.iter("system-out"))
    assert "uncertainty not stated verdict pass" in out


def test_where_law_and_monte_carlo_differ_the_console_says_so_of_what_was_judged(run: StoredRun) -> None:
    text = shown(run, 100)
    assert "warning, the law of propagation differs: U of tone_level corrected" in text
    (found,) = (item for step in run.steps for item in step.readings if item.number == 3)
    assert found.uncertainty is not None
    assert found.uncertainty.short_warning == "the law of propagation differs"
    assert "Monte Carlo" in found.uncertainty.warning


def test_what_would_halve_it_names_the_line_and_its_new_size(run: StoredRun) -> None:
    text = explained(run, 3)
    # 0.0871^2 - 0.02^2 leaves 0.0848 dB standard, +-0.147 dB as a rectangle.
    assert "analyser level: down to +-0.15 dB from +-0.30 dB" in text
    assert "this line alone is enough" in text


def test_of_a_relative_limit_the_budget_of_the_distance_is_explained(run: StoredRun) -> None:
    text = explained(run, 4)
    assert "judged: its distance from tone_level corrected, -45.000 dB" in text
    assert "cancels: both readings share it" in text


# Of the level: +-0.3 dB and 0.1 dB of t with 9 degrees of freedom; 2,000,000 own trials give 0.382 dB. Of the
# distance, where the level cancels, scatters of 0.1 dB and 0.02 dB are left: 0.102 dB x 2.26, t for 9 degrees
# of freedom, is 0.23 dB.
def test_under_a_relative_limit_the_value_keeps_its_own_uncertainty_and_the_distance_is_told_below(
    run: StoredRun,
) -> None:
    text = shown(run, 120)
    rows = [" ".join(row.split()) for row in text.splitlines() if row.strip().startswith("image_level")]
    assert rows[0].startswith("image_level corrected -35.000 dBm 0.38 dB max -40 dB rel.")
    told = "judged: image_level corrected less tone_level corrected = -45.000 dB, U 0.23 dB"
    assert told in " ".join(text.split())


def test_why_monte_carlo_is_wider_beside_three_ripples_is_told(run: StoredRun) -> None:
    ripples = tuple(
        BudgetLine.from_half_width(
            f"joint {number}", width, unit="dB", source="VSWR of both", distribution=Distribution.TWO_DISCS
        )
        for number, width in enumerate((0.09, 0.06, 0.07))
    )
    scatter = BudgetLine(
        quantity="noise", estimate=0.0, unit="dB", standard=0.03, distribution=Distribution.NORMAL,
        divisor=1.0, source="many sweeps",
    )  # fmt: skip
    for lines, told in (((*ripples, scatter), True), ((ripples[0], scatter), False)):
        budget = Budget(unit="dBm", lines=lines)
        stated = StatedUncertainty.of(combine(budget, method="law of propagation"), "dB")
        found = judged(run, 3, budget=budget, uncertainty=stated)
        text = " ".join(item.text.strip() for item in explanation_block(found, width=100))
        assert ("takes the three largest ripples as tied" in text) is told


def test_of_a_bound_the_article_is_right(run: StoredRun) -> None:
    for bound, told in ((Bound.UPPER, "is an upper bound of"), (Bound.LOWER, "is a lower bound of")):
        lines = explanation_block(judged(run, 3, bound=bound), width=100)
        assert any(told in item.text for item in lines)


def test_parts_that_nobody_stated_are_in_the_table_and_in_a_warning(run: StoredRun) -> None:
    text = explained(run, 2)
    assert "loss of cable 1" in text and "not stated" in text
    assert "the uncertainty is incomplete, and so too small: no uncertainty of cable 1" in text


def test_a_count_is_explained_as_exact(run: StoredRun) -> None:
    assert "nothing is in doubt" in explained(run, 1)


# JCGM 100:2008, 7.2.6: at most two digits of an uncertainty.
@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.3149, "dB", "0.31 dB"),
        (0.0995, "dB", "0.10 dB"),
        (12.4, "Hz", "12 Hz"),
        (123456.0, "Hz", "120 kHz"),
        (3.4e-8, "s", "3.4e-08 s"),
        (0.0, "dB", "0 dB"),
    ],
)
def test_an_uncertainty_has_two_digits(value: float, unit: str, text: str) -> None:
    assert figure_text(value, unit) == text


def test_two_that_differ_in_the_third_digit_can_be_told_apart() -> None:
    assert (figure_text(0.01204, "dB", 3), figure_text(0.01213, "dB", 3)) == ("0.0120 dB", "0.0121 dB")
