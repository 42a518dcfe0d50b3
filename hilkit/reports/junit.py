"""The JUnit XML file of a run: a function of its record.

There is no single standard; the shape kept here is the one that strict readers accept: suites, suite with
properties, testcase with at most one of failure, error and skipped, then system-out. One testcase is one step
in one combination. Names carry no date and no number of a run, so that a CI server sees the same test every
night.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from xml.etree import ElementTree as ET

from hilkit.errors import ExitCode, RecordError
from hilkit.judgement import StatedUncertainty
from hilkit.quantities import difference_unit
from hilkit.readings import Bound, Verdict
from hilkit.record import JUNIT, Outcome, StoredReading, StoredRun, StoredStep
from hilkit.reports.lines import exact_text, figure_text, visible
from hilkit.reports.rows import at_most, expanded_text, percent

__all__ = ["case_name", "junit_tree", "write_junit"]

_RUN_CASE = "whole_run"
_KINDS = ("failure", "error", "skipped")


def write_junit(run: StoredRun, path: Path | None = None) -> Path:
    """Write the file beside the record, or to ``path``, in one stroke: a reader never sees half of it."""
    target = path or run.folder / JUNIT
    unfinished = target.with_name(target.name + ".unfinished")
    tree = junit_tree(run)
    try:
        tree.write(unfinished, encoding="utf-8", xml_declaration=True)
        unfinished.replace(target)
    except OSError as error:
        raise RecordError(
            f"{target} cannot be written: {error.strerror or error}",
            next_step=f"make room, then write it again with 'hilkit report {run.folder}'",
        ) from error
    return target


def junit_tree(run: StoredRun) -> ET.ElementTree[ET.Element]:
    """Return the file as a tree."""
    root = ET.Element("testsuites", name=visible(run.plan_slug))
    suite = ET.SubElement(root, "testsuite", name=visible(run.plan_slug))
    _properties(suite, run)
    for step in run.steps:
        _case(suite, run, step)
    _run_case(suite, run)
    counts = Counter(child.tag for case in suite.iter("testcase") for child in case if child.tag in _KINDS)
    numbers = {
        "tests": str(len(suite.findall("testcase"))),
        "failures": str(counts["failure"]),
        "errors": str(counts["error"]),
        "time": exact_text(run.bench_time_s),
    }
    root.attrib.update(numbers)
    suite.attrib.update(
        numbers,
        skipped=str(counts["skipped"]),
        timestamp=f"{run.begun_utc:%Y-%m-%dT%H:%M:%S}",
        hostname=visible(run.host),
    )
    ET.indent(root)
    return ET.ElementTree(root)


def case_name(step: StoredStep) -> str:
    """Return the name of a step's testcase: ``step[name=value,...]``."""
    values = ",".join(f"{name}={text}" for name, text in step.vary)
    return f"{step.step}[{values}]" if values else step.step


def _properties(suite: ET.Element, run: StoredRun) -> None:
    properties = ET.SubElement(suite, "properties")
    values = {
        "plan": run.plan_name,
        "plan_sha256": run.plan_digest,
        "bench": run.bench_name,
        "simulated": "true" if run.simulated else "false",
        "seed": run.seed,
        "chosen": run.chosen,
        **{f"resumed_from.{number}": each.folder for number, each in enumerate(run.resumed, start=1)},
        "hilkit": run.hilkit_version,
        "decision_rule": run.rule,
        "expired_calibration_allowed": run.expired_allowed,
        **{f"calibration.{number}": text for number, text in enumerate(run.calibration, start=1)},
        "exit_code": str(int(run.exit_code)),
        "verdict": str(run.verdict),
        **{f"fact.{name}": text for name, text in run.facts},
    }
    for name, value in values.items():
        ET.SubElement(properties, "property", name=visible(name), value=visible(value))


def _case(suite: ET.Element, run: StoredRun, step: StoredStep) -> None:
    case = ET.SubElement(
        suite,
        "testcase",
        classname=visible(f"{run.plan_slug}.{step.step}"),
        name=visible(case_name(step)),
        time=exact_text(step.took_s),
    )
    _result(case, run, step)
    told = [f"decision rule: {step.rule}"] if step.readings else []
    told += [f"carried over from {step.taken_in}"] if step.taken_in else []
    told += [_reading_line(reading) for reading in step.readings]
    told += [f"fact {name}: {text}" for name, text in step.facts]
    told += list(step.notes)
    if told:
        ET.SubElement(case, "system-out").text = visible("\n".join(["", *told, ""]))


def _result(case: ET.Element, run: StoredRun, step: StoredStep) -> None:
    if step.outcome is Outcome.SKIPPED:
        ET.SubElement(case, "skipped", message=visible(step.reason))
    elif step.outcome is Outcome.PLANNED:
        ET.SubElement(case, "skipped", message=visible(run.reason or "the run ended before this step"))
    elif step.outcome is Outcome.AT_WORK:
        _told(case, "error", "error", f"broken off while at work: {run.reason or 'the run ended'}", step)
    elif step.verdict is Verdict.ERROR:
        _told(case, "error", "error", step.reason, step)
    elif step.verdict in (Verdict.FAIL, Verdict.INCONC):
        _told(case, "failure", str(step.verdict), step.reason, step)


def _told(case: ET.Element, tag: str, kind: str, reason: str, step: StoredStep) -> None:
    lines = [reason]
    if step.transcript:
        lines += [f"last lines of {step.instrument}:", *(f"  {text}" for text in step.transcript)]
    element = ET.SubElement(case, tag, type=kind, message=visible(_one_line(reason)))
    element.text = visible("\n".join(lines))


def _one_line(text: str) -> str:
    return "; ".join(" ".join(line.split()) for line in text.splitlines() if line.strip())


def _run_case(suite: ET.Element, run: StoredRun) -> None:
    """Say in a case of its own what happened to the run as a whole, if anything did."""
    reasons = [run.reason] if run.reason else []
    reasons += [f"NOT SAFE: {text}" for text in run.not_safe]
    if not run.steps and not reasons:
        reasons = ["nothing ran"]
    if not reasons and run.exit_code in (ExitCode.NOT_SAFE, ExitCode.SAFETY, ExitCode.INTERRUPTED):
        reasons = [run.exit_code.meaning]
    if reasons:
        case = ET.SubElement(
            suite, "testcase", classname=f"{run.plan_slug}.{_RUN_CASE}", name=_RUN_CASE, time=exact_text(0.0)
        )
        message = visible(_one_line("\n".join(reasons)))
        ET.SubElement(case, "error", type=run.exit_code.meaning, message=message).text = visible(
            "\n".join(reasons)
        )


def _reading_line(reading: StoredReading) -> str:
    key = reading.key
    name = f"{key.name}.{key.phase}" if key.phase else key.name
    if key.index is not None:
        name += f"[{exact_text(key.index).rstrip('0').rstrip('.')}]"
    parts = [name, "=", exact_text(reading.value), reading.unit]
    if reading.bound is not Bound.EXACT:
        parts.append(f"({reading.bound})")
    parts += _uncertainty_texts(reading.uncertainty)
    if reading.limit:
        parts.append(f"limit {reading.limit}")
    if reading.comparison is not None:
        distance = reading.comparison
        parts.append(f"distance {exact_text(distance.value)} {distance.unit}")
        parts += _uncertainty_texts(distance.uncertainty)
    if reading.margin is not None:
        parts += [f"margin {exact_text(reading.margin)}", difference_unit(reading.unit)]
    parts += _decision_texts(reading)
    parts.append(f"verdict {reading.verdict}")
    text = " ".join(part for part in parts if part != "1")
    return f"{text}; {reading.note}" if reading.note else text


def _uncertainty_texts(uncertainty: StatedUncertainty | None) -> list[str]:
    """Return nothing for what is exact, a count or a state: it has no interval."""
    if uncertainty is None or uncertainty.exact:
        return []
    if uncertainty.unknown:
        return ["U not known"]
    how = [f"{100 * uncertainty.probability:g} %", f"k {uncertainty.coverage_factor:.2f}", uncertainty.method]
    how += ["incomplete"] if uncertainty.missing else []
    how += [f"warning: {uncertainty.short_warning}"] if uncertainty.short_warning else []
    return [f"U {expanded_text(uncertainty)} ({', '.join(how)})"]


def _decision_texts(reading: StoredReading) -> list[str]:
    decision = reading.decision
    if decision is None:
        return []
    parts = [f"rule {decision.rule}"]
    if decision.guard_band:
        parts.append(f"guard band {figure_text(decision.guard_band, difference_unit(reading.unit))}")
    shown = at_most if decision.at_most else percent
    risks = (("PFA", decision.false_acceptance), ("PFR", decision.false_rejection))
    parts += [f"{name} {shown(risk)}" for name, risk in risks if risk is not None]
    if not decision.sure:
        parts.append("uncertainty not stated")
    return parts
