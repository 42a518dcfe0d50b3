"""The JUnit file says what the record says, in a shape that strict readers accept."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import junitparser
import pytest

from hilkit.errors import ExitCode, RecordError
from hilkit.judgement import StatedUncertainty, combine
from hilkit.readings import Budget, Verdict
from hilkit.record import Event, Outcome, ReadingTaken, RunEnded, StepBegun, StepEnded, StoredRun
from hilkit.reports import junit_tree, write_junit
from tests.record.samples import PLANNED, begun, night, stored
from tests.record.samples import reading as taken

# What may stand where: common practice of the strict lineage (a testcase holds at most one of failure, error
# and skipped, then output; properties stand in the suite; counts are required), no source to be copied.
ATTRIBUTES = {
    "testsuites": {"name", "tests", "failures", "errors", "time"},
    "testsuite": {"name", "tests", "failures", "errors", "skipped", "time", "timestamp", "hostname"},
    "property": {"name", "value"},
    "properties": set(),
    "testcase": {"classname", "name", "time"},
    "failure": {"type", "message"},
    "error": {"type", "message"},
    "skipped": {"message"},
    "system-out": set(),
}
CHILDREN = {
    "testsuites": {"testsuite"},
    "testsuite": {"properties", "testcase"},
    "properties": {"property"},
    "testcase": {"failure", "error", "skipped", "system-out"},
}
NUMBER = re.compile(r"\d+\.\d{3}")


@pytest.fixture
def run(tmp_path: Path) -> StoredRun:
    return stored(tmp_path, night())


def parsed(run: StoredRun) -> junitparser.TestSuite:
    suites = list(junitparser.JUnitXml.fromfile(str(write_junit(run))))
    assert len(suites) == 1
    return suites[0]


def kind(case: junitparser.TestCase) -> str:
    return type(case.result[0]).__name__.lower() if case.result else "passed"


def test_a_stranger_reads_the_same_verdicts_as_the_record_holds(run: StoredRun) -> None:
    """Read back by junitparser (PyPI), which shares no code with the writer."""
    expected = {
        Verdict.NONE: "passed",
        Verdict.PASS: "passed",
        Verdict.FAIL: "failure",
        Verdict.INCONC: "failure",
        Verdict.ERROR: "error",
    }
    cases = list(parsed(run))
    assert len(cases) == len(run.steps)
    for case, step in zip(cases, run.steps, strict=True):
        wanted = "skipped" if step.outcome is Outcome.SKIPPED else expected[step.verdict]
        assert kind(case) == wanted, case.name
        assert case.classname == f"night_check.{step.step}"
        assert case.time == pytest.approx(step.took_s)
        for reading in step.readings:
            assert f"{reading.value:.3f} {reading.unit}" in case.system_out


def test_the_counts_are_those_of_the_cases(run: StoredRun) -> None:
    suite = parsed(run)
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (6, 2, 1, 1)
    assert suite.time == pytest.approx(70.0)


def test_fail_and_inconc_are_failures_that_say_which(run: StoredRun) -> None:
    types = [case.result[0].type for case in parsed(run) if kind(case) == "failure"]
    assert types == ["fail", "inconc"]


def test_a_simulated_run_says_so_in_the_suite(run: StoredRun) -> None:
    properties = {item.name: item.value for item in parsed(run).properties()}
    assert properties["simulated"] == "true"
    assert properties["seed"] == "17"


@pytest.mark.parametrize("events", [night(), night()[:5], [begun(())], [begun()]])
def test_the_shape_is_the_strict_one(tmp_path: Path, events: list[Event]) -> None:
    root = ET.parse(write_junit(stored(tmp_path, events))).getroot()
    for element in root.iter():
        assert set(element.attrib) == ATTRIBUTES[element.tag], element.tag
        assert {child.tag for child in element} <= CHILDREN.get(element.tag, set())
        if "time" in element.attrib:
            assert NUMBER.fullmatch(element.attrib["time"])
    for case in root.iter("testcase"):
        assert sum(child.tag != "system-out" for child in case) <= 1
        assert [child.tag for child in case].count("system-out") <= 1


def test_names_are_unique_and_hold_nothing_of_this_run(run: StoredRun) -> None:
    names = [(case.classname, case.name) for case in parsed(run)]
    assert len(set(names)) == len(names)
    assert ("night_check.tone_placement", "tone_placement[channel=1,carrier=2350 MHz]") in names
    text = str(names)
    assert not re.search(r"20\d\d|T\d{6}", text.replace("2350", ""))


def test_control_characters_are_made_visible(run: StoredRun) -> None:
    """XML 1.0 (fifth edition), clause 2.2: ESC is no character of a document, not even as a reference."""
    text = write_junit(run).read_text(encoding="utf-8")
    assert "\x1b" not in text
    assert "#x1B[2J" in text


def test_limit_margin_and_verdict_stand_beside_the_value(run: StoredRun) -> None:
    out = next(iter(list(parsed(run))[1:])).system_out
    assert (
        "image.corrected = -41.200 dBc limit max -50 dBc margin -8.800 dB verdict fail; the image at" in out
    )
    assert (
        "lo_leakage.corrected = -62.000 dBc (upper bound) limit max -45 dBc margin 17.000 dB verdict pass"
        in out
    )
    assert "tone_frequency = 1850000012.250 Hz verdict none" in out


def test_a_killed_run_is_an_error_and_nothing_in_it_is_green_that_did_not_end(tmp_path: Path) -> None:
    run = stored(tmp_path, night()[:10])
    kinds = [kind(case) for case in parsed(run)]
    assert kinds == ["passed", "error", "skipped", "skipped", "skipped", "skipped", "error"]
    last = list(parsed(run))[-1]
    assert (last.classname, last.name) == ("night_check.whole_run", "whole_run")
    assert "ended without a goodbye" in last.result[0].message


def only_told(tmp_path: Path, events: Sequence[Event]) -> junitparser.TestCase:
    cases = list(parsed(stored(tmp_path, events)))
    return cases[-1]


def test_a_run_without_any_step_is_an_error_and_never_an_empty_file(tmp_path: Path) -> None:
    end = RunEnded(exit_code=ExitCode.NOTHING_RAN, reason="nothing ran: no step was chosen")
    case = only_told(tmp_path, [begun(()), end])
    assert kind(case) == "error"
    assert case.result[0].message == "nothing ran: no step was chosen"


def test_a_bench_that_never_came_up_is_an_error_with_every_step_skipped(tmp_path: Path) -> None:
    reason = "analyser: nothing answers at TCPIP0::10.0.0.7::5025::SOCKET\n  next: is it on?"
    skipped = [
        StepEnded(planned=step, outcome=Outcome.SKIPPED, verdict=Verdict.NONE, reason="the run stopped")
        for step in PLANNED
    ]
    run = stored(tmp_path, [begun(), *skipped, RunEnded(exit_code=ExitCode.BENCH, reason=reason)])
    cases = list(parsed(run))
    assert [kind(case) for case in cases] == ["skipped"] * 6 + ["error"]
    assert cases[0].result[0].message == "the run stopped"
    assert cases[-1].result[0].type == "bench or instrument error"
    assert cases[-1].result[0].message.endswith("SOCKET; next: is it on?")


def test_a_bench_that_is_not_safe_is_an_error_by_name(tmp_path: Path) -> None:
    end = RunEnded(exit_code=ExitCode.NOT_SAFE, not_safe=("RF of channel 1 off: no answer",))
    case = only_told(tmp_path, [*night()[:-1], end])
    assert "NOT SAFE: RF of channel 1 off: no answer" in case.result[0].message


def test_the_file_is_put_in_place_in_one_stroke(run: StoredRun) -> None:
    path = write_junit(run)
    path.write_text("an older one", encoding="utf-8")
    assert write_junit(run).read_text(encoding="utf-8").startswith("<?xml")
    assert sorted(item.name for item in run.folder.iterdir()) == ["junit.xml", "run.sqlite"]


def test_a_file_that_cannot_be_written_says_how_to_get_it_later(run: StoredRun, tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="hilkit report"):
        write_junit(run, tmp_path / "gone" / "junit.xml")


def test_a_step_without_vary_values_has_a_plain_name(tmp_path: Path) -> None:
    plain = replace(PLANNED[0], vary=())
    run = stored(tmp_path, [begun([plain]), StepBegun(planned=plain)])
    case = next(junit_tree(run).iter("testcase"))
    assert case.attrib["name"] == "bring_up"


def test_the_margin_of_a_plain_number_has_no_unit(tmp_path: Path) -> None:
    step = PLANNED[0]
    events = [
        begun(),
        StepBegun(planned=step),
        ReadingTaken(
            step=1,
            reading=taken(step, "reference_locked", 1.0, "1"),
            verdict=Verdict.PASS,
            limit="min 1",
            margin=0.0,
        ),
        StepEnded(planned=step, outcome=Outcome.DONE, verdict=Verdict.PASS),
    ]
    text = ET.tostring(junit_tree(stored(tmp_path, events)).getroot(), encoding="unicode")
    assert "limit min 1 margin 0.000 verdict pass" in text


def test_the_index_of_a_series_has_at_most_three_decimals(tmp_path: Path) -> None:
    events: list[Event] = [begun(), StepBegun(planned=PLANNED[0])]
    for index in (0.00943724, 7.5, 30.0):
        events.append(
            ReadingTaken(step=1, reading=taken(PLANNED[0], "image_settling", -40.0, "dBc", index=index))
        )
    text = ET.tostring(junit_tree(stored(tmp_path, events)).getroot(), encoding="unicode")
    assert re.findall(r"image_settling(\S*) =", text) == ["[0.009]", "[7.5]", "[30]"]


def test_what_is_exact_has_no_uncertainty_beside_it(tmp_path: Path) -> None:
    """A count is in no doubt, and k and a probability of nothing say nothing; common practice, no source."""
    step = PLANNED[0]
    exact = StatedUncertainty.of(combine(Budget(unit="1", lines=())), "1")
    count = taken(step, "lines_lost", 2.0, "1")
    events = [begun(), StepBegun(planned=step), ReadingTaken(step=1, reading=count, uncertainty=exact)]
    text = ET.tostring(junit_tree(stored(tmp_path, events)).getroot(), encoding="unicode")
    assert "lines_lost = 2.000 verdict none" in text
