"""Events of a small run, for tests of what is made from them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from hilkit.errors import ExitCode
from hilkit.readings import Bound, Budget, Evidence, Reading, ReadingKey, Trace, Verdict
from hilkit.record import (
    Event,
    FactNoted,
    NoteTaken,
    Outcome,
    PlannedStep,
    ReadingTaken,
    Record,
    RunBegun,
    RunEnded,
    StepBegun,
    StepEnded,
    StoredRun,
)

UTC = dt.datetime(2026, 11, 25, 22, 15, 3, tzinfo=dt.UTC)
LOW = (("channel", "1"), ("carrier", "1842.5 MHz"))
HIGH = (("channel", "1"), ("carrier", "2350 MHz"))


def planned(
    number: int, step: str, vary: tuple[tuple[str, str], ...] = LOW, expected_s: float = 10.0
) -> PlannedStep:
    return PlannedStep(
        number=number,
        combination=1 if vary == LOW else 2,
        vary=vary,
        step=step,
        procedure=step,
        procedure_version=1,
        settings='{"channel": 1}',
        limits="{}",
        expected_s=expected_s,
    )


PLANNED = (
    planned(1, "bring_up"),
    planned(2, "tone_placement"),
    planned(3, "power_sweep"),
    planned(4, "bring_up", HIGH),
    planned(5, "tone_placement", HIGH),
    planned(6, "power_sweep", HIGH),
)


def begun(steps: Sequence[PlannedStep] = PLANNED, *, simulated: bool = True) -> RunBegun:
    return RunBegun(
        utc=UTC,
        plan_name="night check, two-channel radio head",
        plan_slug="night_check",
        plan_file="sequences/night_check.yaml",
        plan_text="plan: night check, two-channel radio head\n",
        plan_digest="ab" * 32,
        bench_name="pier bench",
        bench_file="benches/pier.yaml",
        bench_text="bench: pier bench\n",
        simulated=simulated,
        seed="17" if simulated else "",
        hilkit_version="0.1.0",
        python="3.11.7",
        host="labpc",
        process=4711,
        chosen="",
        steps=tuple(steps),
    )


def trace() -> Trace:
    frequency_hz = np.linspace(1.8e9, 1.9e9, 11)
    return Trace(
        frequency_hz=frequency_hz,
        level_dbm=np.linspace(-90.0, -20.0, 11),
        rbw_hz=1e5,
        noise_bandwidth_hz=1.0645e5,
        detector="rms",
        average_type="power",
        averages=4,
        sweep_time_s=0.02,
        attenuation_db=10.0,
        reference_level_dbm=0.0,
    )


def reading(
    step: PlannedStep,
    name: str,
    value: float,
    unit: str,
    *,
    phase: str = "",
    index: float | None = None,
    bound: Bound = Bound.EXACT,
    note: str = "",
    of: Trace | None = None,
    evidence: tuple[Evidence, ...] = (),
    budget: Budget | None = None,
) -> Reading:
    key = ReadingKey(step=step.step, vary=step.vary, name=name, phase=phase, index=index)
    return Reading(
        key=key,
        value=value,
        unit=unit,
        bound=bound,
        confidence=0.95 if bound is not Bound.EXACT else None,
        note=note,
        trace=of,
        evidence=evidence,
        budget=budget,
    )


def night() -> list[Event]:
    """A run with every verdict: none, pass, fail, inconc, error, and a step that is skipped."""
    up, tone, sweep, up_high, tone_high, sweep_high = PLANNED
    shared = trace()
    return [
        begun(),
        FactNoted(step=0, name="analyser", text="Lab, SA-26, 7, 1.0"),
        StepBegun(at_s=1.0, planned=up),
        NoteTaken(at_s=1.1, step=1, text="waiting for the reference"),
        FactNoted(at_s=1.2, step=1, name="firmware", text="4.2.0"),
        ReadingTaken(at_s=1.4, step=1, reading=reading(up, "lock_time", 0.4, "s")),
        StepEnded(at_s=9.0, planned=up, outcome=Outcome.DONE, verdict=Verdict.NONE, took_s=8.0),
        StepBegun(at_s=9.0, planned=tone),
        ReadingTaken(
            at_s=12.0,
            step=2,
            reading=reading(
                tone, "image", -41.2, "dBc", phase="corrected", of=shared, note="the image at -7.5 MHz"
            ),
            verdict=Verdict.FAIL,
            limit="max -50 dBc",
            margin=-8.8,
            reason="-41.2 dBc misses max -50 dBc by 8.8 dB",
        ),
        ReadingTaken(
            at_s=12.5,
            step=2,
            reading=reading(
                tone, "lo_leakage", -62.0, "dBc", phase="corrected", of=shared, bound=Bound.UPPER
            ),
            verdict=Verdict.PASS,
            limit="max -45 dBc",
            margin=17.0,
        ),
        ReadingTaken(at_s=13.0, step=2, reading=reading(tone, "tone_frequency", 1_850_000_012.25, "Hz")),
        StepEnded(
            at_s=20.0,
            planned=tone,
            outcome=Outcome.DONE,
            verdict=Verdict.FAIL,
            reason="image corrected: -41.2 dBc misses max -50 dBc by 8.8 dB",
            instrument="analyser",
            transcript=("22:15 analyser -> :INIT", "22:15 analyser <- \x1b[2J"),
            took_s=11.0,
        ),
        StepBegun(at_s=20.0, planned=sweep),
        *(
            ReadingTaken(
                at_s=20.0 + code,
                step=3,
                reading=reading(sweep, "step_error", 0.008 * code, "dB", index=float(code)),
                verdict=Verdict.PASS,
                limit="within 0.25 dB of 0 dB",
                margin=0.25 - 0.008 * code,
            )
            for code in range(1, 31)
        ),
        StepEnded(at_s=60.0, planned=sweep, outcome=Outcome.DONE, verdict=Verdict.PASS, took_s=40.0),
        StepBegun(at_s=60.0, planned=up_high),
        StepEnded(
            at_s=65.0,
            planned=up_high,
            outcome=Outcome.ERROR,
            verdict=Verdict.ERROR,
            reason="radio: no answer within 3 s\n  next: check its cable",
            instrument="radio",
            transcript=("22:16 radio -> about",),
            took_s=5.0,
        ),
        StepEnded(
            at_s=65.0,
            planned=tone_high,
            outcome=Outcome.SKIPPED,
            verdict=Verdict.NONE,
            reason="bring_up, which establishes the state for it, broke off",
        ),
        StepBegun(at_s=65.0, planned=sweep_high),
        ReadingTaken(
            at_s=66.0,
            step=6,
            reading=reading(sweep_high, "range", 28.0, "dB", bound=Bound.LOWER),
            verdict=Verdict.INCONC,
            limit="min 30 dB",
            reason="the quantity is at least 28 dB: that does not show that it keeps to min 30 dB",
        ),
        StepEnded(
            at_s=70.0,
            planned=sweep_high,
            outcome=Outcome.DONE,
            verdict=Verdict.INCONC,
            reason="range: the quantity is at least 28 dB",
            took_s=5.0,
        ),
        RunEnded(at_s=70.0, utc=UTC + dt.timedelta(seconds=70), exit_code=ExitCode.BENCH),
    ]


def stored(folder: Path, events: Sequence[Event]) -> StoredRun:
    """Write events to a record in ``folder`` and read it back."""
    record = Record.create(folder, durable=False)
    for event in events:
        record.listener(event)
    record.close()
    return Record.open(folder)
