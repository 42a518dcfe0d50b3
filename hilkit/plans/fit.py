"""Does the plan fit the bench? Found without touching an instrument."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilkit.errors import BenchError, Problem
from hilkit.plans.declared import Beyond, beyond
from hilkit.plans.mistakes import Mistakes
from hilkit.plans.origin import Origins
from hilkit.plans.plan import Combination, Plan, Step
from hilkit.plans.tolerance import zones_too_narrow
from hilkit.procedures.contract import Exposure, Settings
from hilkit.quantities import Quantity

if TYPE_CHECKING:
    from hilkit.bench import Bench

__all__ = ["check_fit"]


@dataclass(frozen=True, kw_only=True)
class _Misfit:
    """One thing that does not fit; ``setting`` is empty where it concerns the step as a whole.

    Of those of a step with the same ``kind`` only the one of the largest ``excess`` is told.
    """

    setting: str
    message: str
    allowed: str = ""
    next_step: str = ""
    kind: str = ""
    excess: float = 0.0


def check_fit(plan: Plan, bench: Bench) -> list[Problem]:
    """Return what of the plan cannot work on this bench, each thing once, at the place of its setting.

    Looked at: instruments and capabilities that a procedure needs, channels, carriers, the loss of the path
    wherever it will be looked at, the ranges of the driver files, and the level predicted at every node
    against its rating; of several levels too high at one node the highest is told.
    """
    mistakes = Mistakes(plan.combinations)
    origins = Origins(plan.document, plan.sets, mistakes)
    worst: dict[tuple[int, str], tuple[_Misfit, list[Combination]]] = {}
    for combination, step in plan.runs():
        for misfit in _misfits(step, step.settings(combination), bench):
            if not misfit.kind:
                at, problem = _problem(plan, step, misfit)
                origins.add(problem, at, combination)
                continue
            key = (step.index, misfit.kind)
            before, where = worst.get(key, (misfit, []))
            if combination not in where:
                where.append(combination)
            worst[key] = (max(before, misfit, key=lambda each: each.excess), where)
    steps = {step.index: step for step in plan.steps}
    for (index, _), (misfit, where) in worst.items():
        _, problem = _problem(plan, steps[index], misfit)
        mistakes.add(problem, where)
    for combination, problem in zones_too_narrow(plan, bench):
        mistakes.add(problem, [combination])
    return mistakes.problems()


def _problem(plan: Plan, step: Step, misfit: _Misfit) -> tuple[tuple[str | int, ...], Problem]:
    """Return the place of what does not fit, and the problem there."""
    at: tuple[str | int, ...] = ("steps", step.index, step.procedure.name)
    written = plan.document.data["steps"][step.index][step.procedure.name] or {}
    in_plan = misfit.setting in written
    at = (*at, misfit.setting) if in_plan else at
    problem = plan.document.problem(
        at,
        misfit.message,
        allowed=misfit.allowed,
        next_step=misfit.next_step,
        at_key=not in_plan,
    )
    return at, problem


def _misfits(step: Step, settings: Settings, bench: Bench) -> Iterator[_Misfit]:
    lacking = list(_lacking(step, bench))
    yield from lacking
    channel = getattr(settings, "channel", None)
    if channel is not None and channel not in bench.radio.channels:
        known = ", ".join(str(number) for number in bench.radio.channels)
        yield _Misfit(setting="channel", message=f"{bench.name} has no channel {channel}", allowed=known)
        return
    told = list(_told(step, settings, bench))
    yield from told
    if not lacking and not told:
        yield from _exposed(step, settings, bench)


def _told(step: Step, settings: Settings, bench: Bench) -> Iterator[_Misfit]:
    """Ask the procedure itself; what is wrong with a setting is told once, by the first sentence."""
    told: set[str] = set()
    try:
        for setting, sentence in step.procedure.misfits(settings, bench):
            if setting not in told:
                yield _Misfit(setting=setting, message=sentence)
            told.add(setting)
    except BenchError as error:
        yield _Misfit(setting="", message=error.message, next_step=error.next_step)


def _lacking(step: Step, bench: Bench) -> Iterator[_Misfit]:
    from hilkit.bench import needs

    for need in step.procedure.needs:
        for sentence in needs(bench, need):
            yield _Misfit(setting="", message=f"{step.procedure.name}: {sentence}")


def _exposed(step: Step, settings: Settings, bench: Bench) -> Iterator[_Misfit]:
    """Go through every RF state that the procedure may command."""
    try:
        for exposure in step.procedure.envelope(settings, bench):
            yield from _state(step, settings, exposure, bench)
    except BenchError as error:
        yield _Misfit(setting="", message=error.message, next_step=error.next_step)


def _state(step: Step, settings: Settings, exposure: Exposure, bench: Bench) -> Iterator[_Misfit]:
    from hilkit.bench.path import frequency_text
    from hilkit.safety.prediction import overloads, predict

    state = exposure.state
    if not bench.radio.carrier_allowed(state.carrier_hz):
        yield _Misfit(
            setting=_carrier_setting(step),
            message=f"the radio of {bench.name} cannot be tuned to {frequency_text(state.carrier_hz)}",
            allowed=bench.radio.bands_text,
        )
        return
    for found in beyond(bench, state):
        yield _Misfit(
            setting=_setting_of(settings, found),
            message=found.message,
            allowed=found.allowed,
            next_step=found.next_step,
            kind=f"{found.what} {'range' if found.excess else 'step'}",
            excess=found.excess,
        )
    for overload in overloads(bench, predict(bench, state)):
        yield _Misfit(
            setting="",
            message=f"up to {overload.level_text} is predicted at {overload.node}, with channel "
            f"{state.channel} at {frequency_text(state.carrier_hz)}, {state.attenuation_db:g} dB attenuation",
            allowed=f"{overload.allowed_dbm:.1f} dBm, the rating of {overload.rating_text} less a "
            f"margin of {bench.margin_db:g} dB",
            next_step="use more transmit attenuation, or put more loss before this node",
            kind=f"{overload.node} {overload.kind}",
            excess=overload.excess_db,
        )


def _setting_of(settings: Settings, found: Beyond) -> str:
    """Return the setting from which a value comes: one that has it, else the one that leads through it."""
    names = {"attenuation": ("attenuation", "from", "to"), "carrier": ("carrier", "to"), "pad": ("pad",)}
    model = type(settings)
    fields = {info.alias or name: getattr(settings, name) for name, info in model.model_fields.items()}
    for name in names[found.what]:
        value = fields.get(name)
        if isinstance(value, Quantity) and abs(value.base - found.value) <= 1e-9 * max(1.0, abs(value.base)):
            return name
    return "step" if "step" in fields and found.what == "attenuation" else ""


def _carrier_setting(step: Step) -> str:
    return next(
        (name for name in ("carrier", "to") if name in step.procedure.settings_model.model_fields), ""
    )
