"""Events of a run whose readings have budgets: judged, with an uncertainty, a decision and a comparison."""

from __future__ import annotations

from hilkit.errors import ExitCode
from hilkit.judgement import DecisionRule, Limit, Reference, Rule, judge
from hilkit.readings import Budget, BudgetLine, Distribution, Reading, Verdict
from hilkit.record import (
    Event,
    Outcome,
    PlannedStep,
    ReadingTaken,
    RunEnded,
    StepBegun,
    StepEnded,
)
from tests.record.samples import PLANNED, begun, reading

GUARD = DecisionRule(rule=Rule.GUARD_BAND, r=1.0)


def level_budget(*, scatter_db: float = 0.02, complete: bool = True) -> Budget:
    level = BudgetLine.from_half_width(
        "analyser level", 0.3, unit="dB", source="bench file: analyser level", shared="analyser level"
    )
    scatter = BudgetLine(
        quantity="noise", estimate=0.0, unit="dB", standard=scatter_db, distribution=Distribution.NORMAL,
        divisor=1.0, degrees_of_freedom=9.0, source="10 sweeps",
    )  # fmt: skip
    lines = (level, scatter)
    if not complete:
        missing = BudgetLine(
            quantity="loss of cable 1", estimate=0.0, unit="dB", standard=0.0,
            distribution=Distribution.RECTANGULAR, divisor=1.0, source="no uncertainty of cable 1",
            stated=False,
        )  # fmt: skip
        lines = (*lines, missing)
    return Budget(unit="dBm", lines=lines)


def taken(
    step: PlannedStep, item: Reading, limit: Limit | None, *others: Reading, rule: DecisionRule = GUARD
) -> ReadingTaken:
    judged = judge(item, limit, rule, {other.key: other for other in others})
    return ReadingTaken(
        step=step.number,
        reading=item,
        verdict=judged.verdict,
        limit=judged.limit_text,
        margin=judged.margin,
        reason=judged.reason,
        uncertainty=judged.uncertainty,
        decision=judged.decision,
        comparison=judged.comparison,
    )


def sure_night() -> list[Event]:
    """Two combinations of a step: a level that passes, one against it, and one that is not shown."""
    low, high = PLANNED[1], PLANNED[4]
    events: list[Event] = [begun((low, high))]
    for step, value in ((low, 10.0), (high, 11.9)):
        tone = reading(step, "tone_level", value, "dBm", phase="corrected", budget=level_budget())
        image = reading(
            step, "image_level", value - 45.0, "dBm", phase="corrected", budget=level_budget(scatter_db=0.1)
        )
        other = reading(
            step, "tone_level", value, "dBm", phase="uncorrected", budget=level_budget(complete=False)
        )
        locked = reading(step, "locked", 1.0, "1", budget=Budget(unit="1", lines=()))
        limit = Limit(unit="dBm", high=12.0, phase="corrected")
        against = Reference(name="tone_level", phase="corrected")
        relative = Limit(unit="dB", high=-40.0, phase="corrected", reference=against)
        events += [
            StepBegun(planned=step),
            taken(step, locked, Limit(unit="1", low=1.0)),
            taken(step, other, None),
            taken(step, tone, limit),
            taken(step, image, relative, tone),
            StepEnded(planned=step, outcome=Outcome.DONE, verdict=Verdict.INCONC, took_s=1.0),
        ]
    return [*events, RunEnded(at_s=2.0, exit_code=ExitCode.INCONCLUSIVE)]
