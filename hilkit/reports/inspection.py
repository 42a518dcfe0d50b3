"""What was found on a bench, on one screen."""

from __future__ import annotations

from hilkit.bench import InspectionReport
from hilkit.bench.inspection import Finding, InstrumentLook, PathLook
from hilkit.reports.lines import KEEP_TOGETHER, Line, line, wrapped

__all__ = ["inspection_block"]

_WORD_STYLES = {"wrong": "fail", "note": "inconc"}


def inspection_block(report: InspectionReport, *, width: int) -> list[Line]:
    """Return the whole report: instruments, paths, then what is wrong and what to do about it."""
    lines: list[Line] = []
    if report.simulation is not None:
        lines.append(line(f"SIMULATED BENCH {report.simulation}: no instrument was touched", "simulated"))
    lines += wrapped(f"bench {report.bench}", width=width, style="heading")
    for look in report.instruments:
        lines += _instrument(look, width)
    lines += [line(), line("paths, loss with the step attenuator at 0 dB", "heading")]
    for path in report.paths:
        lines += _path(path, width)
    lines += [line(), *_findings(report.findings, width)]
    return lines


def _instrument(look: InstrumentLook, width: int) -> list[Line]:
    state = "answers" if look.identity else "DOES NOT ANSWER"
    if look.reached and not look.identity:
        state = "ANSWERS, but not as this instrument would"
    head = Line(((f"{look.name}: ", "heading"), (state, "" if look.identity else "fail")))
    told = {
        "address": f"{look.address} (driver {look.driver})",
        "identity": look.identity,
        "expected": look.expected,
        "errors": "; ".join(look.errors) if look.errors else ("none in the queue" if look.identity else ""),
        "RF": look.rf,
        "reference": look.reference,
        "calibration": look.calibration,
        "self-test": look.self_test,
    }
    lines = [line(), head]
    several = [("output", text) for text in look.outputs] + [("interlock", text) for text in look.interlocks]
    for name, text in (*told.items(), *several):
        if text:
            lines += wrapped(f"{name:<11} {text}", width=width, indent="  ", hanging=" " * 14)
    return lines


def _path(path: PathLook, width: int) -> list[Line]:
    low, high = (f"{edge / 1e6:.10g} MHz" for edge in path.coverage_hz)
    losses = ", ".join(
        f"{frequency / 1e6:.10g} MHz {'unknown' if loss is None else f'{loss:.2f} dB'}"
        for frequency, loss in path.losses
    )
    losses = losses.replace(" MHz", f"{KEEP_TOGETHER}MHz").replace(" dB", f"{KEEP_TOGETHER}dB")
    text = f"channel {path.channel}, {path.name}: loss known from {low} to {high}; at the band edges {losses}"
    nodes = f"by way of {', '.join(path.nodes)}" if path.nodes else ""
    lines = wrapped(text, width=width, indent="  ", hanging="    ")
    return lines + (wrapped(nodes, width=width, indent="    ", style="quiet") if nodes else [])


def _findings(findings: list[Finding], width: int) -> list[Line]:
    if not findings:
        return [line("nothing is wrong", "pass")]
    lines = [line("what was found, and what to do", "heading")]
    for finding in sorted(findings, key=lambda finding: finding.weight != "wrong"):
        lines += wrapped(
            f"{finding.weight}: {finding.about}: {finding.sentence}",
            width=width,
            indent="  ",
            hanging="    ",
            style=_WORD_STYLES[finding.weight],
        )
        if finding.what_to_do:
            lines += wrapped(f"do: {finding.what_to_do}", width=width, indent="    ", hanging="      ")
    return lines
