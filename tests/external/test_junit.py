"""The JUnit file of a run as strangers read it: junitparser (PyPI) for the content, lxml for the structure.

There is no single standard; the grammar below is written from what readers of the strict lineage accept
(common practice, no source): suites, suite, properties first, then testcases; a testcase holds at most one of
failure, error and skipped, and output after it; counts and times are numbers.
"""

from __future__ import annotations

import junitparser
import pytest
from lxml import etree

from hilkit.cli import main
from hilkit.errors import ExitCode
from hilkit.files import library
from hilkit.record import JUNIT, StoredRun, StoredStep, read_run

GRAMMAR = """\
<grammar xmlns="http://relaxng.org/ns/structure/1.0"
         datatypeLibrary="http://www.w3.org/2001/XMLSchema-datatypes">
  <define name="count"><data type="nonNegativeInteger"/></define>
  <define name="seconds">
    <data type="decimal"><param name="pattern">[0-9]+\\.[0-9]{3}</param></data>
  </define>
  <define name="said"><data type="string"><param name="minLength">1</param></data></define>
  <define name="counts">
    <attribute name="name"><ref name="said"/></attribute>
    <attribute name="tests"><ref name="count"/></attribute>
    <attribute name="failures"><ref name="count"/></attribute>
    <attribute name="errors"><ref name="count"/></attribute>
    <attribute name="time"><ref name="seconds"/></attribute>
  </define>
  <define name="told">
    <attribute name="type"><ref name="said"/></attribute>
    <attribute name="message"><ref name="said"/></attribute>
    <text/>
  </define>
  <start>
    <element name="testsuites">
      <ref name="counts"/>
      <element name="testsuite">
        <ref name="counts"/>
        <attribute name="skipped"><ref name="count"/></attribute>
        <attribute name="timestamp"><data type="dateTime"/></attribute>
        <attribute name="hostname"><ref name="said"/></attribute>
        <element name="properties">
          <oneOrMore>
            <element name="property">
              <attribute name="name"><ref name="said"/></attribute>
              <attribute name="value"/>
            </element>
          </oneOrMore>
        </element>
        <oneOrMore>
          <element name="testcase">
            <attribute name="classname"><ref name="said"/></attribute>
            <attribute name="name"><ref name="said"/></attribute>
            <attribute name="time"><ref name="seconds"/></attribute>
            <optional>
              <choice>
                <element name="failure"><ref name="told"/></element>
                <element name="error"><ref name="told"/></element>
                <element name="skipped"><attribute name="message"><ref name="said"/></attribute></element>
              </choice>
            </optional>
            <optional><element name="system-out"><text/></element></optional>
          </element>
        </oneOrMore>
      </element>
    </element>
  </start>
</grammar>
"""

# Every outcome that a night can have: a pass, a missed limit, a bound that proves nothing, and in the second
# channel a radio that answers rubbish, so that what follows there is skipped.
PLAN = """\
plan: every outcome
bench: quarrelsome
vary: {channel: [1, 2]}
steps:
  - bring_up:
      channel: $channel
      carrier: 1842.5 MHz
      reference: external
      limits: {reference_locked: {min: 1}}
  - tone_placement:
      id: missed
      channel: $channel
      carrier: 1842.5 MHz
      offset: 7.5 MHz
      attenuation: 6 dB
      resolve_down_to: -60 dBc
      limits: {tone_level: {min: 20 dBm}, third_harmonic: {max: -40 dBc}}
  - tone_placement:
      id: unproven
      channel: $channel
      carrier: 1842.5 MHz
      offset: 7.5 MHz
      attenuation: 6 dB
      resolve_down_to: -60 dBc
      limits: {plus_three: {max: -110 dBc}}
"""
FAULTS = "faults: [{instrument: radio, kind: garbage, when: warmth, after: 2, count: 50}]\n"


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> StoredRun:
    """The plan above, run from the command line on the shipped bench with a fault in it."""
    lab = tmp_path_factory.mktemp("lab")
    shipped, profiles = library() / "sim_profiles", lab / "sim_profiles"
    (lab / "sequences").mkdir()
    profiles.mkdir()
    plan = lab / "sequences" / "every_outcome.yaml"
    plan.write_text(PLAN, encoding="utf-8")
    (profiles / "measured_line.s2p").write_bytes((shipped / "measured_line.s2p").read_bytes())
    profile = (shipped / "simulated_pier.yaml").read_text(encoding="utf-8")
    (profiles / "quarrelsome.yaml").write_text(profile + FAULTS, encoding="utf-8")
    bench = (shipped / "simulated_pier.bench.yaml").read_text(encoding="utf-8")
    # Rubbish at an interlock would end the run: here it is the step's own question that is answered so.
    bench = bench.replace("  radio temperature: {instrument: radio, read: temperature, max: 65 °C}\n", "")
    (profiles / "quarrelsome.bench.yaml").write_text(
        bench.replace("simulation: simulated_pier", "simulation: quarrelsome"), encoding="utf-8"
    )
    with pytest.raises(SystemExit) as left:
        main(["run", str(plan), "--out", str(lab / "runs")])
    assert left.value.code == ExitCode.BENCH
    (folder,) = (lab / "runs").iterdir()
    return read_run(folder)


@pytest.fixture
def suite(run: StoredRun) -> junitparser.TestSuite:
    (only,) = junitparser.JUnitXml.fromfile(str(run.folder / JUNIT))
    return only


def kind(case: junitparser.TestCase) -> str:
    return type(case.result[0]).__name__ if case.result else "Passed"


def test_the_structure_is_what_strict_readers_accept(run: StoredRun) -> None:
    grammar = etree.RelaxNG(etree.fromstring(GRAMMAR.encode()))
    document = etree.parse(str(run.folder / JUNIT))
    assert grammar.validate(document), grammar.error_log
    assert document.docinfo.encoding.lower() == "utf-8"


def test_every_outcome_of_the_night_is_there_for_a_stranger(suite: junitparser.TestSuite) -> None:
    found = {case.name.replace(",", " "): kind(case) for case in suite}
    assert found == {
        "bring_up[channel=1]": "Passed",
        "missed[channel=1]": "Failure",
        "unproven[channel=1]": "Failure",
        "bring_up[channel=2]": "Error",
        "missed[channel=2]": "Skipped",
        "unproven[channel=2]": "Skipped",
    }


def test_the_type_tells_a_missed_limit_from_one_that_nothing_was_proven_about(
    suite: junitparser.TestSuite,
) -> None:
    failures = [case.result[0] for case in suite if kind(case) == "Failure"]
    assert [failure.type for failure in failures] == ["fail", "inconc"]
    assert all(failure.message for failure in failures)


def test_the_counts_of_the_suite_are_those_that_a_stranger_counts(suite: junitparser.TestSuite) -> None:
    kinds = [kind(case) for case in suite]
    counted = (len(kinds), kinds.count("Failure"), kinds.count("Error"), kinds.count("Skipped"))
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == counted


def test_a_stranger_finds_each_reading_of_the_record_with_three_decimals(
    run: StoredRun, suite: junitparser.TestSuite
) -> None:
    cases = {(case.classname, case.name): case for case in suite}
    assert len(cases) == len(run.steps)
    for step in run.steps:
        case = cases[f"every_outcome.{step.step}", junit_name(step)]
        assert case.time == pytest.approx(step.took_s, abs=6e-4)
        for reading in step.readings:
            unit = "" if reading.unit == "1" else f" {reading.unit}"
            assert f"= {reading.value:.3f}{unit}" in case.system_out


def test_the_simulated_run_says_so_to_every_reader(suite: junitparser.TestSuite) -> None:
    assert {item.name: item.value for item in suite.properties()}["simulated"] == "true"


def test_written_again_from_the_record_the_file_is_the_same(run: StoredRun) -> None:
    before = (run.folder / JUNIT).read_bytes()
    (run.folder / JUNIT).unlink()
    with pytest.raises(SystemExit):
        main(["report", str(run.folder)])
    assert (run.folder / JUNIT).read_bytes() == before


def junit_name(step: StoredStep) -> str:
    return f"{step.step}[{','.join(f'{name}={value}' for name, value in step.vary)}]"
