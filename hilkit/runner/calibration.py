"""Whose calibration ran out, or soon will: told before a run, and what that makes of its verdicts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from hilkit.bench import Bench, InstrumentSpec, frequency_text
from hilkit.bench.inspection import SOON
from hilkit.errors import BenchError
from hilkit.plans import Plan, Step

__all__ = ["Calibrations"]

_ON_THE_PATH = ("step_attenuator", "switch_matrix")
"""Classes whose accuracy enters every reading of a procedure that needs an analyser."""


@dataclass(frozen=True, kw_only=True)
class Calibrations:
    """The due dates of a bench on the day of the run.

    ``told`` has a sentence for each instrument whose calibration ran out, or does within 30 days; ``expired``
    are those that ran out, ``allowed`` the plan's reason for which verdicts count all the same. ``refused``
    has a sentence for each path whose calibration does not allow the run, by the policy of the bench.
    """

    told: tuple[str, ...]
    expired: tuple[InstrumentSpec, ...]
    allowed: str = ""
    refused: tuple[str, ...] = ()

    @classmethod
    def of(cls, bench: Bench, plan: Plan, today: dt.date) -> Calibrations:
        """Look at every instrument of the bench, the radio among them."""
        dated = [
            (spec, spec.calibration_due)
            for spec in (*bench.instruments.values(), bench.radio_spec)
            if spec.calibration_due is not None
        ]
        expired = tuple(spec for spec, due in dated if due < today)
        soon = [(spec, due) for spec, due in dated if today <= due <= today + SOON]
        reason = plan.allow_expired_calibration
        follows = f"; the plan allows it: {reason}" if reason else "; what is read with it is inconclusive"
        told = [f"{_ran_out(spec)}{follows}" for spec in expired]
        told += [
            f"the calibration of {spec.name} runs out on {due}, in {(due - today).days} days"
            for spec, due in soon
        ]
        paths = tuple(dict.fromkeys(_of_paths(bench, plan, today)))
        refused = paths if bench.calibration_policy == "refuse" else ()
        return cls(told=(*told, *paths), expired=expired, allowed=reason, refused=refused)

    def against(self, step: Step) -> str:
        """Return why no verdict of a step counts, empty where they do.

        An instrument concerns a step whose procedure needs its class; what stands in the path concerns every
        procedure that needs an analyser.
        """
        if self.allowed:
            return ""
        needed = {need.instrument_class for need in step.procedure.needs}
        if "signal_analyser" in needed:
            needed |= set(_ON_THE_PATH)
        return "; ".join(_ran_out(spec) for spec in self.expired if spec.instrument_class in needed)


def _of_paths(bench: Bench, plan: Plan, today: dt.date) -> Iterator[str]:
    """Yield what is wrong with the calibration of each path that a plan sends the radio's RF through."""
    if bench.calibration_policy is None:
        return
    for channel, carrier_hz, pad_db in dict.fromkeys(_uses(bench, plan)):
        path = bench.path(channel)
        if not path.calibrations:
            yield f"path {path.name} has no calibration"
            continue
        try:
            calibration = path.calibration(carrier_hz, pad_db=pad_db)
        except BenchError as error:
            yield error.message
            continue
        if calibration is None:
            at = frequency_text(carrier_hz)
            yield f"path {path.name} is not calibrated at {at}: there the losses of its elements count"
            continue
        named = f"the calibration {calibration.file} of path {path.name}"
        age = (today - calibration.date).days
        if age < 0:
            yield f"{named} is dated {calibration.date}, after today"
        elif bench.calibration_days is not None and age > bench.calibration_days:
            yield f"{named} is {age} days old; the limit is {bench.calibration_days} days"


def _uses(bench: Bench, plan: Plan) -> Iterator[tuple[int, float, float]]:
    for combination, step in plan.runs():
        try:
            for exposure in step.procedure.envelope(step.settings(combination), bench):
                state = exposure.state
                if state.rf_on:
                    yield state.channel, state.carrier_hz, state.pad_db
        except BenchError:  # the step itself will say so
            continue


def _ran_out(spec: InstrumentSpec) -> str:
    return f"the calibration of {spec.name} ran out on {spec.calibration_due}"
