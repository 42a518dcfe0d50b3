"""Sensitivity of a receiver: the level at which enough frames pass, with a stated error of the search."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated

from pydantic import ConfigDict, Field

from hilkit.analysis.sensitivity import Rule, search
from hilkit.procedures.contract import Need, Procedure
from hilkit.procedures.reception import ReceiveProcedure, ReceiveSettings, check, generators_of, source_lines
from hilkit.quantities import Between, Fraction, Level, Ratio
from hilkit.readings import BudgetLine, Measured, ReadingSpec

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session
    from hilkit.safety.receive import Sent

__all__ = ["Sensitivity", "SensitivitySettings"]

_WIDE = 4.0
"""In steps: a wider bracket says that the pass rate is too near to what is required for these frames."""


class SensitivitySettings(ReceiveSettings):
    """What the step can be told; levels are those at the receive port."""

    model_config = ConfigDict(populate_by_name=True)

    from_: Annotated[Level, Field(alias="from", description="level at which too few frames pass for sure")]
    to: Annotated[Level, Field(description="level at which enough frames pass for sure")]
    step: Annotated[Ratio, Between(above="0 dB"), Field(description="step of the levels")] = Ratio(0.25)
    required: Annotated[
        Fraction, Between(above="0 %"), Field(description="share of the frames that has to pass")
    ] = Fraction(0.95)
    error: Annotated[
        Fraction,
        Between(above="0 %"),
        Field(description="probability, at most, that the whole search ends at a wrong level"),
    ] = Fraction(0.05)
    frames: Annotated[int, Field(ge=50, le=1_000_000, description="most frames at one level")] = 3200


class Sensitivity(ReceiveProcedure, Procedure[SensitivitySettings]):
    """Bisection on counts of frames that the radio reports."""

    name = "sensitivity"
    summary = "lowest level at which a receiver decodes enough frames, with a stated error rate"
    settings_model = SensitivitySettings
    readings = (
        ReadingSpec(
            name="sensitivity", unit="dBm", meaning="level at the port where the required share passes"
        ),
        ReadingSpec(name="frames_used", unit="1", meaning="frames that the search took", by_radio=True),
    )
    needs = (
        Need(instrument_class="signal_generator"),
        Need(instrument_class="radio", capabilities=("receive_carrier", "frames_passed")),
    )
    establishes_state = False

    @staticmethod
    def sent(settings: ReceiveSettings, bench: Bench) -> Sequence[Sent]:
        """The highest level: all others are lower."""
        assert isinstance(settings, SensitivitySettings)
        return (_sent(settings, bench, settings.to.dbm),)

    def misfits(self, settings: SensitivitySettings, bench: Bench) -> Iterator[tuple[str, str]]:  # type: ignore[override]
        """Refuse a range upside down, and shares that are none."""
        yield from super().misfits(settings, bench)
        intervals = (settings.to.dbm - settings.from_.dbm) / settings.step.db
        if intervals < 1 or abs(intervals - round(intervals)) > 1e-6:
            yield (
                "to",
                f"{settings.from_} to {settings.to} is no whole number of steps of {settings.step} upwards",
            )
        if not settings.required.value < 1:
            yield "required", f"{settings.required} is not below 100 %"
        if not settings.error.value < 0.5:
            yield "error", f"{settings.error} is not below 50 %"

    def measure(self, session: Session, settings: SensitivitySettings) -> Iterator[Measured]:
        """Search, and give the middle of the bracket with its width in the budget."""
        bench = session.bench
        rule = Rule(
            required=settings.required.value,
            error=settings.error.value,
            first=min(50, settings.frames),
            most=settings.frames,
        )
        sent_dbm: list[float] = []

        def count(level_dbm: float, frames: int) -> int:
            if sent_dbm[-1:] != [level_dbm]:
                for name, (hz, dbm) in _sent(settings, bench, level_dbm).items():
                    session.receive.send(name, hz, dbm)
                sent_dbm.append(level_dbm)
            return session.receive.frames_passed(frames)

        session.receive.begin(settings.channel, settings.carrier.hz)
        try:
            found = search(
                count,
                low_dbm=settings.from_.dbm,
                high_dbm=settings.to.dbm,
                step_db=settings.step.db,
                rule=rule,
            )
        finally:
            session.receive.off()
        width = found.passes_dbm - found.fails_dbm
        narrow = width <= _WIDE * settings.step.db + 1e-9
        evidence = (
            check(
                "bracket",
                narrow,
                f"fails at {found.fails_dbm:g} dBm, passes at {found.passes_dbm:g} dBm",
                f"at most {_WIDE:g} steps apart",
                "the levels around it are decided"
                if narrow
                else "more frames are needed to tell levels apart",
            ),
            check(
                "ends decided",
                True,
                f"{len(found.levels)} levels looked at",
                "a fail at the lowest and a pass at the highest",
                f"the search errs with a probability of at most {found.wrong:.3g}",
            ),
        )
        (name,) = generators_of(bench, settings.channel)
        lines = [
            BudgetLine.from_half_width(
                "width of the bracket",
                found.half_width_db,
                unit="dB",
                source=f"search with an error of at most {found.wrong:.3g}",
            ),
            *source_lines(bench, settings.channel, name, settings.carrier.hz),
        ]
        yield Measured(
            name="sensitivity",
            value=found.level_dbm,
            evidence=evidence,
            budget=bench.budget("dBm", lines),
            note=f"between {found.fails_dbm:g} and {found.passes_dbm:g} dBm, wrong {found.wrong:.3g} at most",
        )
        used = sum(each.counted.sent for each in found.levels)
        yield Measured(name="frames_used", value=float(used), evidence=evidence, budget=bench.budget("1", []))


def _sent(settings: SensitivitySettings, bench: Bench, level_dbm: float) -> dict[str, tuple[float, float]]:
    (name,) = generators_of(bench, settings.channel)
    hz = settings.carrier.hz
    level = level_dbm + bench.receive_path(settings.channel).loss_db(name, hz)
    return {name: (hz, round(level, 2))}
