"""What ``hilkit check`` says of calibrations, before a run says it."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from hilkit.errors import UsageError

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.plans import Plan

__all__ = ["calibration_warnings"]


def calibration_warnings(
    bench: Bench, plan: Plan | None = None, *, today: dt.date | None = None
) -> list[str]:
    """Return a line for each calibration that a run of the plan on this day (UTC) would warn of.

    Without a plan the due dates of the instruments and the age of the paths' calibrations are looked at.
    Raises ``UsageError`` where the ``calibration_policy`` of the bench would refuse the run.
    """
    from hilkit.runner import Calibrations, dates_of

    today = today or dt.datetime.now(dt.UTC).date()
    if plan is None:
        return [f"  warning: {sentence}" for sentence in dates_of(bench, today)]
    found = Calibrations.of(bench, plan.runs(), plan.allow_expired_calibration, today)
    if found.refused:
        raise UsageError(
            "a run would be refused by the calibration_policy of the bench file: " + "; ".join(found.refused),
            next_step=found.cure,
        )
    return [f"  warning: {sentence}" for sentence in found.told]
