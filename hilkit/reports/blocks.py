"""What is told of a run, block by block, as lines: used while it runs and again from its record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from hilkit.errors import ExitCode
from hilkit.quantities import difference_unit
from hilkit.readings import Verdict
from hilkit.record import (
    JUNIT,
    SIMPLE,
    Outcome,
    PlannedStep,
    RunBegun,
    RunEnded,
    StoredReading,
    StoredRun,
    StoredStep,
)
from hilkit.reports.lines import Line, clock_text, line, wrapped
from hilkit.reports.rows import by_standard, closest, margin_text, reading_table, step_word, took_text
from hilkit.reports.table import table

__all__ = [
    "begun_block",
    "simulated_line",
    "skipped_block",
    "step_block",
    "step_heading",
    "summary_block",
    "with_farewell",
]

_UNWELL = (Verdict.FAIL, Verdict.INCONC, Verdict.ERROR)


def simulated_line(seed: str) -> Line:
    """Return the line that a simulated run begins and ends with."""
    return line(f"SIMULATED RUN: the numbers come from a model, not from a radio (seed {seed})", "simulated")


def begun_block(run: RunBegun | StoredRun, *, caution: str, folder: str, width: int) -> list[Line]:
    """Return the head of a run; ``caution`` is the paragraph on RF."""
    lines = [simulated_line(run.seed)] if run.simulated else []
    lines += wrapped(f"{run.plan_name}  (hilkit {run.hilkit_version})", width=width, style="heading")
    lines += wrapped(f"bench {run.bench_name}; record in {folder}", width=width, hanging="  ")
    if run.chosen:
        lines += wrapped(f"chosen: {run.chosen}", width=width, hanging="  ")
    for earlier in run.resumed[-1:]:
        told = f"resumed from {earlier.folder}, begun {earlier.begun[:19]}Z: {len(earlier.carried)} of"
        told += f" {_count(len(run.steps), 'step')} carried over"
        lines += wrapped(told, width=width, hanging="  ")
    lines += wrapped(caution, width=width, hanging="  ", style="quiet") if caution else []
    lines += _rules(run, width)
    lines += _calibrations(run, width)
    combinations = len({step.combination for step in run.steps})
    expected_s = sum(step.expected_s for step in run.steps)
    counted = f"{_count(len(run.steps), 'step')} in {_count(combinations, 'combination')}"
    lines += wrapped(f"{counted}, about {clock_text(expected_s)} of bench time", width=width)
    return lines


_NO_CERTIFICATE = (
    "caution: limits of a standard were used, and this result is no certificate: the current edition of the"
    " standard and an accredited laboratory decide"
)
_RISKS = (
    "risk of a verdict: PFA, that what was accepted lies outside its limit, PFR, that what was rejected lies"
    " inside (JCGM 106)"
)


def _rules(run: RunBegun | StoredRun, width: int) -> list[Line]:
    """Say by which rule verdicts are given; simple acceptance everywhere goes without saying."""
    own = {step.step: step.rule for step in run.steps if step.rule != run.rule}
    told = "; ".join([run.rule, *(f"{step}: {rule}" for step, rule in own.items())])
    if told == SIMPLE:
        return []
    return wrapped(f"decision rule: {told}", width=width, hanging="  ")


def _calibrations(run: RunBegun | StoredRun, width: int) -> list[Line]:
    return [
        item
        for sentence in run.calibration
        for item in wrapped(f"warning: {sentence}", width=width, hanging="  ", style="inconc")
    ]


def step_heading(step: PlannedStep | StoredStep, count: int, *, width: int) -> list[Line]:
    """Return the heading of a step; ``count`` is the number of steps in the run."""
    values = ", ".join(f"{name}={text}" for name, text in step.vary)
    head = f"{step.number}/{count} {step.step}" + (f"  ({values})" if values else "")
    return [line(), *wrapped(head, width=width, hanging="    ", style="heading")]


def step_block(step: StoredStep, *, width: int) -> list[Line]:
    """Return the readings of a step and what came of it."""
    lines = reading_table(step.readings, width=width)
    word = step_word(step)
    told = "; ".join(
        part for part in (f"after {took_text(step)}" if took_text(step) else "", _closest(step)) if part
    )
    lines.append(Line((("  = ", ""), (word, word), (f"  {told}" if told else "", "quiet"))))
    if step.verdict in _UNWELL or step.outcome is Outcome.SKIPPED:
        lines += wrapped(step.reason, width=width, indent="    ", hanging="      ")
    return lines


def skipped_block(steps: Sequence[StoredStep], count: int, *, width: int) -> list[Line]:
    """Return one line for steps that were skipped one after the other for the same reason."""
    first, last = steps[0].number, steps[-1].number
    which = f"{first}/{count}" + (f" to {last}/{count}" if last > first else "")
    word = step_word(steps[0])
    told = f": {steps[0].reason}" if steps[0].reason else ""
    return [line(), *wrapped(f"{which} {word}{told}", width=width, hanging="    ", style=word)]


def summary_block(run: StoredRun, *, width: int) -> list[Line]:
    """Return the verdict table, what did not pass with its reason, and the verdict of the run."""
    lines: list[Line] = []
    rows = [
        (f"{step.step} {_values(step)}".rstrip(), str(len(step.readings)), took_text(step), step_word(step))
        for step in run.steps
    ]
    if any(step.outcome is not Outcome.SKIPPED for step in run.steps):
        lines += [line(), line("verdicts", "heading")]
        lines += table(("step", "readings", "bench time", "verdict"), rows, width=width, right=(1, 2))
    lines += _unwell(run, width)
    return [*lines, line(), *_end(run, width)]


def with_farewell(run: StoredRun, farewell: RunEnded | None) -> StoredRun:
    """Return a run with what its last event said, where the record could not take it any more."""
    if run.ended or farewell is None:
        return run
    return replace(
        run, exit_code=farewell.exit_code, reason=farewell.reason or run.reason, not_safe=farewell.not_safe
    )


def _unwell(run: StoredRun, width: int) -> list[Line]:
    steps = [step for step in run.steps if step.verdict in _UNWELL or step.outcome is Outcome.AT_WORK]
    lines = [line(), line("what did not pass, and why", "heading")] if steps else []
    for step in steps:
        word = step_word(step) if step.outcome is not Outcome.AT_WORK else str(Verdict.ERROR)
        head = f"  {step.step} {_values(step)}".rstrip()
        lines.append(Line(((f"  {word}", word), (head, "heading"))))
        told = step.reason or _at_work(run)
        lines += wrapped(told, width=width, indent="    ", hanging="      ")
        lines += _noted(step.readings, width)
        if step.transcript:
            lines += wrapped(f"last lines of {step.instrument}:", width=width, indent="    ")
            for text in step.transcript:
                lines += wrapped(text, width=width, indent="      ", hanging="        ", style="quiet")
    return lines


def _at_work(run: StoredRun) -> str:
    """What became of a step whose end is not in the record; the whole reason stands at the end of the run."""
    return f"at work when the run ended: {(run.reason or 'the record breaks off here').splitlines()[0]}"


def _noted(readings: Sequence[StoredReading], width: int) -> list[Line]:
    lines = []
    for reading in readings:
        if reading.verdict in _UNWELL and reading.note:
            lines += wrapped(
                f"{reading.key.name}: {reading.note}", width=width, indent="    ", hanging="      "
            )
    return lines


def _end(run: StoredRun, width: int) -> list[Line]:
    lines: list[Line] = []
    if run.reason:
        # A radio that was cut after its last step has stopped nothing; its sentence stands for itself.
        whole = run.reason.startswith(("stopped", "the radio did not obey"))
        told = run.reason if whole else f"stopped early: {run.reason}"
        lines += wrapped(told, width=width, hanging="  ", style="fail")
    if run.not_safe:
        lines.append(line("THE BENCH IS NOT SAFE. SWITCH OFF BY HAND, NOW:", "alarm"))
        for text in run.not_safe:
            lines += wrapped(text, width=width, indent="  - ", hanging="    ", style="fail")
    for note in run.notes:
        lines += wrapped(f"note: {note}", width=width, hanging="  ")
    if run.exit_code is ExitCode.PASSED and (told := _unjudged(run)):
        lines += wrapped(f"warning: {told}", width=width, hanging="  ", style="inconc")
    lines += wrapped(f"decision rule: {run.rule}", width=width, hanging="  ")
    if any(reading.decision and reading.decision.sure for step in run.steps for reading in step.readings):
        lines += wrapped(_RISKS, width=width, hanging="  ", style="quiet")
    if any(by_standard(reading) for step in run.steps for reading in step.readings):
        lines += wrapped(_NO_CERTIFICATE, width=width, hanging="  ")
    lines += _calibrations(run, width)
    counts = Counter(step_word(step) for step in run.steps)
    counted = ", ".join(f"{number} {word}" for word, number in counts.items()) or "no step"
    lines += wrapped(
        f"steps: {counted}; bench time {clock_text(run.bench_time_s)}", width=width, hanging="  "
    )
    lines += wrapped(f"record in {run.folder}, {JUNIT} beside it", width=width, hanging="  ")
    word = str(run.verdict)
    meaning = f"  exit code {int(run.exit_code)}: {_meaning(run)}"
    lines.append(Line((("verdict: ", "heading"), (word, word), (meaning, ""))))
    return [*lines, simulated_line(run.seed)] if run.simulated else lines


def _unjudged(run: StoredRun) -> str:
    """Say which steps a pass says nothing of."""
    if not run.judged:
        return "nothing was judged: no reading of this run has a limit"
    without = [step.step for step in run.steps if step.outcome is Outcome.DONE and not step.limits]
    has = "has" if len(without) == 1 else "have"
    names = ", ".join(dict.fromkeys(without))
    return f"{_count(len(without), 'step')} {has} no limits: {names}" if without else ""


def _meaning(run: StoredRun) -> str:
    if run.exit_code is not ExitCode.PASSED:
        return run.exit_code.meaning
    return "all limits were met" if run.judged else "nothing was judged"


def _closest(step: StoredStep) -> str:
    reading = closest(item for item in step.readings if difference_unit(item.unit) == "dB")
    if reading is None or reading.verdict is not Verdict.PASS:
        return ""
    return f"least margin: {reading.key.name}, {margin_text(reading)}"


def _values(step: StoredStep) -> str:
    values = ", ".join(f"{name}={text}" for name, text in step.vary)
    return f"({values})" if values else ""


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
