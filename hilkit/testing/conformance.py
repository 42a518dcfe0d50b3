"""Checks that every driver and every procedure must pass. Each returns sentences; an empty list is a pass."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from hilkit.errors import BenchError, HilkitError
from hilkit.instruments import SignalAnalyser, SweepSetup
from hilkit.procedures.contract import Procedure, Settings
from hilkit.readings import Measured
from hilkit.safety import RfState, Session
from hilkit.testing.bench import BenchOnTest

__all__ = ["check_analyser", "check_procedure"]


def check_analyser(analyser: SignalAnalyser) -> list[str]:
    """Run an analyser through what every procedure relies on, with no signal needed at its input.

    It is prepared, set to two different sweeps, and has to return what was asked for: the number of points,
    the frequencies, levels that are numbers, the settings as read back. Safe with RF off; it commands none.
    """
    limits = analyser.limits()
    low_hz, high_hz = limits.frequency_hz
    setup = SweepSetup(
        centre_hz=math.sqrt(max(low_hz, 1e6) * high_hz),
        span_hz=max(limits.span_hz[0], 1e6),
        points=max(limits.points[0], 101),
        rbw_hz=max(limits.rbw_hz[0], 10e3),
        vbw_hz=None,
        detector="rms",
        average_type="power",
        averages=1,
        sweep_time_s=None,
        attenuation_db=limits.attenuation_db[1],
        reference_level_dbm=0.0,
        preamplifier=False,
    )
    other = replace(
        setup, span_hz=setup.span_hz * 2, rbw_hz=setup.rbw_hz * 10, averages=min(4, limits.averages[1])
    )
    found: list[str] = []
    try:
        analyser.prepare(reference="external")
        for each in (setup, other, setup):
            found += _sweep_problems(analyser, each)
        found += [f"the error queue is not empty afterwards: {entry}" for entry in analyser.errors()]
    except HilkitError as error:
        found.append(str(error))
    return found


def _sweep_problems(analyser: SignalAnalyser, setup: SweepSetup) -> Iterator[str]:
    back = analyser.configure(setup)
    trace = analyser.acquire()
    if len(trace.level_dbm) != back.points or len(trace.frequency_hz) != back.points:
        yield f"{back.points} points were set, the trace has {len(trace.level_dbm)}"
    if not np.isfinite(trace.level_dbm).all():
        yield "the trace holds levels that are no numbers"
    if not math.isclose(trace.span_hz, back.span_hz, rel_tol=1e-3):
        yield f"a span of {back.span_hz:g} Hz was set, the trace spans {trace.span_hz:g} Hz"
    if trace.noise_bandwidth_hz <= trace.rbw_hz:
        yield f"the noise bandwidth {trace.noise_bandwidth_hz:g} Hz is not above the RBW {trace.rbw_hz:g} Hz"


def check_procedure(procedure: Procedure[Settings], settings: Settings, on: BenchOnTest) -> list[str]:
    """Run a procedure on a simulated bench and compare what it does with what it declares.

    Every reading must be declared, with a phase and an index where and only where its declaration has them;
    every RF state that it commands must be in its envelope.
    """
    found = [f"setting {setting}: {sentence}" for setting, sentence in procedure.misfits(settings, on.bench)]
    watched = _Watched(on)
    try:
        measured = list(procedure.measure(watched, settings))
    except BenchError as error:
        return [*found, f"it broke off: {error}"]
    declared = {spec.name for spec in procedure.readings}
    for reading in measured:
        found += _reading_problems(procedure, reading)
    if not measured:
        found.append("it yielded no reading")
    elif not declared:
        found.append("it declares no reading")
    allowed = [exposure.state for exposure in procedure.envelope(settings, on.bench)]
    found += [
        f"it commanded a state that its envelope does not list: {state}"
        for state in watched.commanded
        if state.rf_on and not any(_covers(each, state) for each in allowed)
    ]
    return found


def _reading_problems(procedure: Procedure[Settings], reading: Measured) -> Iterator[str]:
    try:
        spec = procedure.spec(reading.name)
    except KeyError:
        yield f"{reading.name} is not declared"
        return
    if reading.phase not in (spec.phases or ("",)):
        yield f"{reading.name} came with phase {reading.phase!r}, declared are {spec.phases}"
    if (reading.index is not None) != spec.series:
        declared = "" if spec.series else "not "
        yield f"{reading.name} is {declared}declared as a series, but came with index {reading.index}"
    if not math.isfinite(reading.value):
        yield f"{reading.name} is {reading.value}"


def _covers(listed: RfState, commanded: RfState) -> bool:
    """Return whether the commanded state is no louder than the listed one on the same channel and carrier."""
    return (
        listed.channel == commanded.channel
        and math.isclose(listed.carrier_hz, commanded.carrier_hz, abs_tol=1.0)
        and commanded.attenuation_db >= listed.attenuation_db - 1e-6
        and commanded.drive_dbfs <= listed.drive_dbfs + 1e-6
        and commanded.pad_db >= listed.pad_db - 1e-6
    )


class _Watched(Session):
    """A session that remembers which RF states it was asked for."""

    def __init__(self, on: BenchOnTest) -> None:
        super().__init__(on.connected, on.clock, on_fact=on.facts.__setitem__, on_note=on.notes.append)
        self.commanded: list[RfState] = []

    def rf(self, state: RfState) -> None:
        """Remember the state, then command it."""
        self.commanded.append(state)
        super().rf(state)
