"""Figures of accuracy in a bench file: what they mean, what is refused, what a path makes of them.

Divisors and kinds of figure: JCGM 100:2008, 4.3.3 (expanded with k), 4.3.5 (normal limits), 4.3.7
(rectangular), 4.3.9 (triangular); VSWR 1.2 and 1.4 give +-0.13 dB: Application Note 150, "Spectrum Analysis
Basics", p. 67 (a maker's application note).
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from hilkit.bench.accuracy import ACCURACY_KEYS, InstrumentAccuracy, figure_of
from hilkit.bench.path_budget import interfaces, path_lines
from hilkit.errors import FileProblems
from hilkit.files import loads, validate
from hilkit.readings import Distribution
from tests.bench.pier import pier
from tests.bench.trial import bench_of, changed

FREQUENCY_HZ = 1842.5e6


def accuracy(text: str) -> InstrumentAccuracy:
    return validate(loads(text, "bench.yaml"), InstrumentAccuracy)


@pytest.mark.parametrize(
    ("text", "standard", "half_width", "shape"),
    [
        ("0.3 dB", 0.3 / math.sqrt(3), 0.3, "rectangular"),
        ("{within: 0.3 dB}", 0.3 / math.sqrt(3), 0.3, "rectangular"),
        ("{within: 0.3 dB, distribution: triangular}", 0.3 / math.sqrt(6), 0.3, "triangular"),
        ("{within: 0.3 dB, distribution: U-shaped}", 0.3 / math.sqrt(2), 0.3, "U-shaped"),
        ("{within: 0.3 dB, distribution: normal}", 0.15, 0.3, "normal"),
        ("{within: 0.3 dB, distribution: normal, k: 3}", 0.1, 0.3, "normal"),
        ("{expanded: 0.2 dB, k: 2}", 0.1, 0.2, "normal"),
        ("{standard: 0.1 dB}", 0.1, None, "normal"),
        ("{standard: 0.1 dB, distribution: rectangular}", 0.1, 0.1 * math.sqrt(3), "rectangular"),
    ],
)
def test_a_figure_is_divided_by_what_its_kind_calls_for(text, standard, half_width, shape):
    figure = figure_of(accuracy(f"level: {text}").level, "here")
    assert figure is not None
    assert figure.standard == pytest.approx(standard)
    assert figure.half_width == (None if half_width is None else pytest.approx(half_width))
    assert figure.distribution is Distribution(shape)
    line = figure.line("level", sensitivity=2.0)
    assert line.contribution == pytest.approx(2 * standard)
    assert line.source == "here"


def test_degrees_of_freedom_of_a_figure_come_with_it():
    figure = figure_of(accuracy("level: {standard: 0.1 dB, degrees_of_freedom: 8}").level, "")
    assert figure is not None
    assert figure.line("level").degrees_of_freedom == 8


def test_a_relative_figure_is_in_parts_of_the_value():
    figure = figure_of(accuracy("reference: 0.5 ppm").reference, "")
    assert figure is not None
    assert (figure.unit, figure.half_width) == ("1", pytest.approx(0.5e-6))


def test_a_figure_without_a_limit_counts_with_two_standard_uncertainties_where_safety_asks():
    limit, standard = (figure_of(accuracy(f"level: {t}").level, "") for t in ("0.3 dB", "{standard: 0.1 dB}"))
    assert limit is not None
    assert standard is not None
    assert (limit.limit, standard.limit) == (0.3, 0.2)


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ("level: {distribution: normal}", 8, "a distribution without width"),
        ("level: {k: 2}", 8, "a figure without width"),
        ("level: -0.1 dB", 8, "an uncertainty is not negative"),
        ("level: {within: -0.1 dB}", 17, "an uncertainty is not negative"),
        ("level: 0 dB", 8, "an uncertainty of zero is no figure"),
        ("flatness: 0.0 dB", 11, "an uncertainty of zero is no figure"),
        ("level: {within: 0 dB}", 17, "an uncertainty of zero is no figure"),
        ("level: {expanded: 0 dB, k: 2}", 19, "an uncertainty of zero is no figure"),
        ("level: {standard: 0 dB}", 19, "an uncertainty of zero is no figure"),
        ("reference: 0 ppm", 12, "an uncertainty of zero is no figure"),
        ("span_axis: {within: 0 %}", 21, "an uncertainty of zero is no figure"),
        ("level: {within: 0.1 dB, standard: 0.1 dB}", 25, "two figures for one thing"),
        ("level: {expanded: 0.2 dB}", 8, "without its coverage factor"),
        ("level: {expanded: 0.2 dB, k: 2, distribution: rectangular}", 47, "normal distribution"),
        ("level: {standard: 0.2 dB, k: 2}", 27, "k does not go with a standard uncertainty"),
        ("level: {within: 0.2 dB, k: 2}", 25, "k does not go with a rectangular limit"),
        ("level: {within: 0.2 dB, distribution: square}", 39, "none of the words"),
        ("level: {within: 0.2 dB, k: 0}", 28, "out of range"),
        ("level: 0.3 dBc", 8, "an uncertainty is in dB"),
        ("level: 0.3", 8, "a unit is missing"),
        ("level: 3 %", 8, "a ratio is needed"),
        ("reference: 0.3 dB", 12, "a fraction is needed"),
        ("vswr: 0.9", 7, "out of range"),
        ("flatness_over: 0 Hz", 16, "out of range"),
        ("levl: 0.3 dB", 1, "not known here"),
    ],
)
def test_a_figure_that_makes_no_sense_is_refused_at_its_place(text, column, words):
    with pytest.raises(FileProblems, match=words) as caught:
        accuracy(text)
    (problem,) = caught.value.problems
    assert (problem.line, problem.column) == (1, column)


def test_who_writes_zero_for_not_known_is_told_to_leave_the_key_out():
    with pytest.raises(FileProblems) as caught:
        accuracy("flatness: 0 dB")
    (problem,) = caught.value.problems
    assert (problem.seen, problem.allowed) == ("0 dB", "a width above zero")
    assert "leave the key out where that is not known" in problem.next_step


def test_keys_of_accuracy_go_with_the_class_of_the_instrument(tmp_path: Path):
    text = changed(("serial: PA60-0031}", "serial: PA60-0031, accuracy: {span_axis: 0.1 %}}"))
    with pytest.raises(FileProblems, match="`span_axis` does not go with a step attenuator") as caught:
        bench_of(tmp_path, text)
    assert "attenuation, repeatability" in caught.value.problems[0].allowed


def test_every_key_of_the_table_is_a_key_of_the_file():
    for keys in ACCURACY_KEYS.values():
        assert set(keys) <= set(InstrumentAccuracy.model_fields)


@pytest.mark.parametrize(("key", "other"), [("length: 1.2 m", "velocity"), ("velocity: 70 %", "length")])
def test_length_and_velocity_need_each_other(tmp_path: Path, key, other):
    text = changed(("law: sqrt_f,", f"law: sqrt_f, {key},"))
    with pytest.raises(FileProblems, match=f"needs `{other}` beside it"):
        bench_of(tmp_path, text)


@pytest.mark.parametrize("key", ["length: -1 m", "velocity: 120 %", "vswr_in: 0.5"])
def test_what_cannot_be_built_is_refused(tmp_path: Path, key):
    with pytest.raises(FileProblems, match="out of range"):
        bench_of(tmp_path, changed(("law: sqrt_f,", f"law: sqrt_f, {key},")))


def test_a_bare_uncertainty_of_an_element_is_a_limit(tmp_path: Path):
    element = bench_of(tmp_path).paths["tx1"].elements[0]
    assert element.uncertainty is not None
    assert element.uncertainty.distribution is Distribution.RECTANGULAR
    assert (element.uncertainty.half_width, element.uncertainty_db) == (0.2, 0.2)


def test_safety_takes_the_limit_of_an_uncertainty_given_as_a_standard_one(tmp_path: Path):
    plain = bench_of(tmp_path).paths["tx1"].min_loss_to("relay tx1 in", FREQUENCY_HZ)
    text = changed(
        (
            "uncertainty: 0.2 dB, node_out: relay tx1 in",
            "uncertainty: {standard: 0.1 dB}, node_out: relay tx1 in",
        )
    )
    assert bench_of(tmp_path, text).paths["tx1"].min_loss_to("relay tx1 in", FREQUENCY_HZ) == plain


def test_what_nobody_states_is_not_invented_but_said(tmp_path: Path):
    lines = path_lines(bench_of(tmp_path).paths["tx1"], FREQUENCY_HZ, pad_db=10.0, near="1.8 GHz")
    missing = [line.source for line in lines if not line.stated]
    assert "no uncertainty for element 3 (switch) in the bench file" in missing
    assert "no attenuation accuracy for pad in the bench file" in missing
    assert any(source.startswith("no VSWR in the bench file for radio, ") for source in missing)
    assert all(line.standard == 0 for line in lines if not line.stated)
    assert sum(line.stated for line in lines) == 1  # the coupler


def test_the_setting_of_a_pad_counts_only_where_it_is_not_at_zero(tmp_path: Path):
    path = pier(tmp_path).paths["tx1"]
    for pad_db, count in ((0.0, 0), (10.0, 1)):
        lines = path_lines(path, FREQUENCY_HZ, pad_db=pad_db, near="here")
        assert sum(line.quantity.startswith("setting of") for line in lines) == count


def test_two_vswr_make_the_ripple_of_the_application_note(tmp_path: Path):
    bench = pier(
        tmp_path,
        ("accuracy: {vswr: 1.2}", "accuracy: {vswr: 1.4, vswr_known: true}"),
        (
            "uncertainty: 0.2 dB,\n       vswr_in: 1.1,",
            "uncertainty: 0.2 dB,\n       vswr_known: true, vswr_in: 1.2,",
        ),
    )
    lines = path_lines(bench.paths["tx1"], FREQUENCY_HZ, pad_db=0.0, near="here")
    (line,) = [line for line in lines if line.quantity == "mismatch radio - coupler 1"]
    assert line.half_width == pytest.approx(0.13, abs=0.005)
    assert line.distribution is Distribution.ARCSINE
    assert line.standard == pytest.approx(line.half_width / math.sqrt(2))


def test_less_knowledge_of_a_vswr_means_a_larger_divisor(tmp_path: Path):
    """Harris and Warner 1981: sqrt 2 for two known magnitudes, 2 for one, 2 sqrt 2 for none."""
    lines = path_lines(pier(tmp_path).paths["tx1"], FREQUENCY_HZ, pad_db=0.0, near="here")
    by_name = {line.quantity: line for line in lines}
    assert by_name["mismatch radio - coupler 1"].divisor == pytest.approx(2 * math.sqrt(2))
    # The reflection of the line is known: it stands in its Touchstone file.
    assert by_name["mismatch 3 dB pad - measured line"].divisor == pytest.approx(2)


def test_loss_between_two_reflections_weakens_their_ripple_twice(tmp_path: Path):
    pairs = {(p.before, p.behind): p for p in interfaces(pier(tmp_path).paths["tx1"], FREQUENCY_HZ)}
    assert len(pairs) == 7 * 8 // 2
    across = pairs["element 3 (switch)", "element 6 (step attenuator)"]
    assert across.between_db == pytest.approx(3.0 + 0.1, abs=0.1)  # the line takes little
    assert not across.touching
    # Longest way of this ripple: switch 5 cm at 70 %, pad 3 cm at 100 %, line 17 cm at 70 %.
    assert across.length_m == pytest.approx(0.05 / 0.7 + 0.03 + 0.17 / 0.7)
    assert pairs["radio", "coupler 1"].length_m == 0.0


def test_a_ripple_has_no_length_where_an_element_states_none(tmp_path: Path):
    bench = pier(tmp_path, ("length: 3 cm, velocity: 100 %", "vswr_known: false"))
    pairs = {(p.before, p.behind): p for p in interfaces(bench.paths["tx1"], FREQUENCY_HZ)}
    assert pairs["3 dB pad", "measured line"].length_m is None
    assert pairs["coupler 1", "element 3 (switch)"].length_m is not None


def test_small_ripples_share_a_line_and_none_is_lost(tmp_path: Path):
    path = pier(tmp_path).paths["tx1"]
    ripples = [
        line
        for line in path_lines(path, FREQUENCY_HZ, pad_db=0.0, near="")
        if line.quantity.startswith("mismatch")
    ]
    total = sum(line.standard**2 for line in ripples)
    each = 0.0
    for pair in interfaces(path, FREQUENCY_HZ):
        product = pair.first.at(FREQUENCY_HZ) * pair.second.at(FREQUENCY_HZ) * 10 ** (-pair.between_db / 10)
        divisor = {2: math.sqrt(2), 1: 2.0, 0: 2 * math.sqrt(2)}[pair.first.known + pair.second.known]
        each += (20 / math.log(10) * product / divisor) ** 2
    assert total == pytest.approx(each)
    assert len(ripples) < 20
    touching = {f"mismatch {p.before} - {p.behind}" for p in interfaces(path, FREQUENCY_HZ) if p.touching}
    assert touching < {line.quantity for line in ripples}


@pytest.mark.parametrize("apart_hz", [7.5e6, 15e6, 30e6])
def test_small_ripples_on_one_line_change_over_frequency_no_less_than_each_by_itself(
    tmp_path: Path, apart_hz
):
    """A ripple of electrical length L turns by 4 pi df L / c; its change has the variance 2 s^2 (1 - cos).

    No source outside: geometry. A line as long as the whole path would overstate the variance 15 to 20 times.
    """
    path = pier(tmp_path).paths["tx1"]
    lines = path_lines(path, FREQUENCY_HZ, pad_db=12.0, near="")
    (together,) = [line for line in lines if line.quantity == "mismatch across elements"]
    own = {line.quantity for line in lines}

    def change(standard: float, length_m: float | None) -> float:
        assert length_m is not None
        return 2 * standard**2 * (1 - math.cos(4 * math.pi * apart_hz * length_m / 299_792_458.0))

    each = 0.0
    for pair in interfaces(path, FREQUENCY_HZ, pad_db=12.0):
        if f"mismatch {pair.before} - {pair.behind}" not in own:
            product = pair.first.at(FREQUENCY_HZ) * pair.second.at(FREQUENCY_HZ)
            divisor = {2: math.sqrt(2), 1: 2.0, 0: 2 * math.sqrt(2)}[pair.first.known + pair.second.known]
            ripple_db = 20 / math.log(10) * product * 10 ** (-pair.between_db / 10) / divisor
            each += change(ripple_db, pair.length_m)
    # Of one length for all, the shortest ripples count as too long, never the other way round.
    assert each < change(together.standard, together.length_m) < 8 * each
