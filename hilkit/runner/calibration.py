"""Whose calibration ran out, or soon will: told before a run, and what that makes of its verdicts."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from hilkit.bench import Bench, InstrumentSpec
from hilkit.bench.inspection import SOON
from hilkit.plans import Plan, Step

__all__ = ["Calibrations"]

_ON_THE_PATH = ("step_attenuator", "switch_matrix")
"""Classes whose accuracy enters every reading of a procedure that needs an analyser."""


@dataclass(frozen=True, kw_only=True)
class Calibrations:
    """The due dates of a bench on the day of the run.

    ``told`` has a sentence for each instrument whose calibration ran out, or does within 30 days; ``expired``
    are those that ran out, ``allowed`` the plan's reason for which verdicts count all the same.
    """

    told: tuple[str, ...]
    expired: tuple[InstrumentSpec, ...]
    allowed: str = ""

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
        return cls(told=tuple(told), expired=expired, allowed=reason)

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


def _ran_out(spec: InstrumentSpec) -> str:
    return f"the calibration of {spec.name} ran out on {spec.calibration_due}"
