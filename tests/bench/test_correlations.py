"""Two figures of a bench file that share a cause count together; what cannot be is told with its place."""

from __future__ import annotations

import math
from pathlib import Path

import GTC
import pytest

from hilkit.bench import load_bench
from hilkit.bench.correlations import StatedCorrelation, correlated
from hilkit.errors import FileProblems
from hilkit.files import Lab
from hilkit.judgement import combine
from hilkit.judgement.correlation import difference
from hilkit.procedures.least import Least
from hilkit.readings import Budget, BudgetLine, Distribution
from hilkit.safety import RfState
from tests.procedures.rig import load_pier

HEAD = "reference_accuracy: 0.01 ppm\n"
STATE = RfState(channel=1, carrier_hz=1842.5e6, attenuation_db=6.0, tone_offset_hz=7.5e6, pad_db=0.0)
TONE_HZ = 1850e6


def line(quantity: str, standard: float, sensitivity: float = 1.0, unit: str = "ohm", **more) -> BudgetLine:
    return BudgetLine(
        quantity=quantity, estimate=0.0, unit=unit, standard=standard, distribution=Distribution.NORMAL,
        divisor=1.0, sensitivity=sensitivity, source=quantity, **more,
    )  # fmt: skip


def stated(first: str, second: str, coefficient: float) -> StatedCorrelation:
    return StatedCorrelation(first=first, second=second, coefficient=coefficient)


def bench(folder: Path, *entries: str):
    text = "".join(f"  - {entry}\n" for entry in entries)
    return load_pier(folder, (HEAD, f"{HEAD}correlations:\n{text}" if entries else HEAD))


def problems(folder: Path, *entries: str) -> list[tuple[int, int, str]]:
    with pytest.raises(FileProblems) as caught:
        bench(folder, *entries)
    return [(each.line, each.column, each.message) for each in caught.value.problems]


# JCGM 100:2008, 5.2.2, example: ten resistors of 1000 ohm, each known to 100 mohm by the same standard, in
# series: 1 ohm, and not the 0.32 ohm of independent ones.
def test_ten_resistors_calibrated_with_one_standard_add_linearly() -> None:
    lines = [line(f"R{n}", 0.1) for n in range(10)]
    pairs = [stated(f"R{i}", f"R{j}", 1.0) for i in range(10) for j in range(i + 1, 10)]
    assert combine(correlated("ohm", lines, pairs)).standard == pytest.approx(1.0)
    assert combine(correlated("ohm", lines, ())).standard == pytest.approx(0.32, abs=0.005)


# JCGM 100:2008, H.2: u(V) = 0.0032 V, u(I) = 0.0095 mA, r(V, I) = -0.36 (table H.2); Z = V/I at 4.9990 V and
# 19.6610 mA has u(Z) = 0.236 ohm (table H.4).
def test_the_impedance_of_gum_h_2_has_its_published_uncertainty() -> None:
    volt, ampere = 4.9990, 19.6610e-3
    lines = (line("V", 0.0032, 1 / ampere), line("I", 0.0095e-3, -volt / ampere**2))
    found = combine(correlated("ohm", lines, (stated("V", "I", -0.36),)))
    assert found.standard == pytest.approx(0.236, abs=0.001)


@pytest.mark.parametrize("coefficient", [-1.0, -0.4, 0.3, 1.0])
@pytest.mark.parametrize("names", [("coupler 1", "3 dB pad"), ("analyser.level", "coupler 1")])
def test_a_level_has_the_uncertainty_that_gtc_finds(tmp_path, names, coefficient) -> None:
    on = bench(tmp_path, f"{{between: [{names[0]}, {names[1]}], coefficient: {coefficient}}}")
    budget = Least(on, STATE).level(TONE_HZ)
    inputs = {
        each.source: GTC.ureal(0, each.standard, independent=False) for each in budget.lines if each.standard
    }
    others = [
        GTC.ureal(0, abs(each.contribution))
        for each in budget.lines
        if each.contribution and each.source not in _sources(names)
    ]
    first, second = (inputs[source] for source in _sources(names))
    GTC.set_correlation(coefficient, first, second)
    assert combine(budget).standard == pytest.approx(GTC.uncertainty(first + second + sum(others)), rel=1e-9)


def _sources(names: tuple[str, ...]) -> list[str]:
    plain = {"analyser.level": "bench file: analyser level"}
    return [plain.get(name, f"bench file: uncertainty of {name}") for name in names]


def test_what_a_ratio_is_free_of_stays_out_of_it(tmp_path) -> None:
    entry = "{between: [analyser.level, coupler 1], coefficient: 1}"
    with_it, without = (
        Least(bench(folder, *entries), STATE).ratio(1835e6, TONE_HZ, -50.0)
        for folder, entries in ((tmp_path, (entry,)), (tmp_path, ()))
    )
    assert combine(with_it).standard == combine(without).standard


def test_between_two_bands_the_analyser_cancels_and_its_correlation_with_it(tmp_path) -> None:
    """Kept, a level that follows two couplers fully would tie them to each other, which contradicts."""
    on = bench(tmp_path, "{between: [analyser.level, coupler 1], coefficient: 1}")
    near = Least(on, STATE).level(TONE_HZ)
    far = Least(on, RfState(**{**vars(STATE), "carrier_hz": 2350e6})).level(2357.5e6)
    assert combine(difference(near, far, "dB")).standard > 0


def test_a_pad_at_two_settings_follows_another_figure_with_both() -> None:
    lines = (line("coupler", 0.1), line("pad", 0.2, shared="a"), line("pad", 0.2, shared="b"))
    budget = correlated("dB", lines, (stated("coupler", "pad", 0.9),))
    assert budget.correlations == {(0, 1): 0.9, (0, 2): 0.9, (1, 2): pytest.approx(0.81)}
    assert combine(budget).standard > math.sqrt(0.1**2 + 2 * 0.2**2)


def test_a_budget_with_them_returns_from_the_record(tmp_path) -> None:
    budget = Least(bench(tmp_path, "{between: [coupler 1, 3 dB pad], coefficient: 0.5}"), STATE).level(
        TONE_HZ
    )
    assert set(budget.correlations.values()) == {0.5}
    assert Budget.from_data(budget.to_data()).correlations == budget.correlations


# --- mistakes


@pytest.mark.parametrize("value", ["1.2", "-1.01", "much", "true"])
def test_a_coefficient_above_1_is_refused_at_its_place(tmp_path, value) -> None:
    ((_, column, message),) = problems(tmp_path, f"{{between: [coupler 1, 3 dB pad], coefficient: {value}}}")
    assert message == "a correlation coefficient lies in -1..1"
    assert column == 51


def test_an_unknown_name_is_told_with_what_there_is(tmp_path) -> None:
    entry = "{between: [coupler1, analyser.levels], coefficient: 0.5}"
    with pytest.raises(FileProblems) as caught:
        bench(tmp_path, entry)
    first, second = caught.value.problems
    assert first.message == "there is no figure 'coupler1' that a correlation can name"
    assert (first.column, second.column) == (16, 26)
    assert "coupler 1" in first.next_step
    assert "analyser.level" in second.next_step
    assert "3 dB pad" in first.allowed


@pytest.mark.parametrize("name", ["analyser.repeatability", "analyser.flatness", "analyser.vswr"])
def test_what_scatters_follows_nothing(tmp_path, name) -> None:
    ((_, _, message),) = problems(tmp_path, f"{{between: [coupler 1, {name}], coefficient: 0.5}}")
    assert "no figure" in message


@pytest.mark.parametrize(
    "between", ["[coupler 1]", "[coupler 1, coupler 1]", "[coupler 1, 3 dB pad, measured line]"]
)
def test_a_correlation_is_between_two(tmp_path, between) -> None:
    ((_, _, message),) = problems(tmp_path, f"{{between: {between}, coefficient: 0.5}}")
    assert message == "a correlation is one between two different figures"


def test_a_pair_has_one_coefficient(tmp_path) -> None:
    entries = (
        "{between: [coupler 1, 3 dB pad], coefficient: 0.5}",
        "{between: [3 dB pad, coupler 1], coefficient: 0.4}",
    )
    ((_, _, message),) = problems(tmp_path, *entries)
    assert message == "these two have a coefficient already"


# Two that follow a third by 1 follow each other by 1 (a correlation matrix is positive semidefinite).
THREE = ("[coupler 1, 3 dB pad]", "[3 dB pad, measured line]", "[coupler 1, measured line]")


@pytest.mark.parametrize("coefficients", [(1, 1), (1, 1, -1)])
def test_coefficients_that_contradict_each_other_are_told_at_the_one_that_does(
    tmp_path, coefficients
) -> None:
    pairs = zip(THREE, coefficients, strict=False)
    entries = [f"{{between: {between}, coefficient: {r}}}" for between, r in pairs]
    ((line_number, column, message),) = problems(tmp_path, *entries)
    assert message.startswith("this coefficient contradicts the others")
    assert column == 55
    text = (tmp_path / "pier.bench.yaml").read_text(encoding="utf-8")
    assert THREE[1] in text.splitlines()[line_number - 1]


def test_three_that_follow_each_other_fully_are_in_order(tmp_path) -> None:
    on = bench(tmp_path, *(f"{{between: {between}, coefficient: 1}}" for between in THREE))
    assert len(on.correlations) == 3
    assert combine(Least(on, STATE).level(TONE_HZ)).standard > 0


def test_the_shipped_benches_state_none() -> None:
    assert load_bench("simulated_pier", Lab(None)).correlations == ()
