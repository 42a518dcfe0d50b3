"""Is the path still what the bench file says? A few points, before a night of readings that rely on it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Annotated

import numpy as np
from pydantic import Field

from hilkit.bench.path import frequency_text
from hilkit.bench.path_budget import path_lines
from hilkit.errors import MeasurementError
from hilkit.procedures.contract import Exposure, Need, Procedure, SourceExposure
from hilkit.procedures.substitution import Loss, Substitution, SubstitutionSettings
from hilkit.quantities import Between, Ratio
from hilkit.readings import Budget, Measured, ReadingSpec

if TYPE_CHECKING:
    from hilkit.bench import Bench, Path
    from hilkit.safety import Session

__all__ = ["PathVerification", "PathVerificationSettings"]


class PathVerificationSettings(SubstitutionSettings):
    """What the step can be told."""

    points: Annotated[int, Field(ge=1, le=50, description="frequencies from lowest to highest")] = 3
    alarm: Annotated[
        Ratio,
        Between(above="0 dB"),
        Field(description="deviation at which the steps that rely on the path are not run"),
    ] = Ratio(0.3)


class PathVerification(Procedure[PathVerificationSettings]):
    """A substitution at a few frequencies against the loss that the bench counts with.

    The alarm of 0.3 dB where nothing else is said is common practice, no source.
    """

    name = "path_verification"
    summary = "loss of a path at a few frequencies against what the bench counts with, with an alarm"
    settings_model = PathVerificationSettings
    readings = (
        ReadingSpec(
            name="path_deviation",
            unit="dB",
            meaning="loss as measured now less the loss that the bench counts with",
            series=True,
            index_name="frequency",
            index_unit="Hz",
        ),
    )
    needs = (Need(instrument_class="signal_generator"), Need(instrument_class="signal_analyser"))
    establishes_state = True
    asks_person = True

    def envelope(self, settings: PathVerificationSettings, bench: Bench) -> Iterable[Exposure]:
        """The radio without RF; the generator is checked in ``misfits`` and before it is on."""
        return (Substitution(bench, settings, _points_hz(settings)).exposure(),)

    def sources(self, settings: PathVerificationSettings, bench: Bench) -> Iterable[SourceExposure]:
        """The generator at every frequency, on the sensor and through the path."""
        return Substitution(bench, settings, _points_hz(settings)).sources()

    def misfits(self, settings: PathVerificationSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse frequencies without a loss to compare with, and a level that something does not stand."""
        if settings.to.hz < settings.from_.hz:
            yield "to", f"{settings.to} lies below {settings.from_}"
            return
        work = Substitution(bench, settings, _points_hz(settings))
        work.path.losses_db(_points_hz(settings), pad_db=settings.pad.db)
        yield from work.misfits()

    def rests_on(self, settings: PathVerificationSettings, bench: Bench) -> tuple[str, ...]:
        """The generator, what reads the power by these settings, and what stands in the path."""
        return Substitution(bench, settings, ()).instruments

    def least_budget(
        self, name: str, settings: PathVerificationSettings, bench: Bench, nearest: float
    ) -> Budget | None:
        """Everything but the scatter, at the lowest frequency."""
        work = Substitution(bench, settings, ())
        return _budget(bench, work.path, work.least(_points_hz(settings)[0]), settings.pad.db)

    def measure(self, session: Session, settings: PathVerificationSettings) -> Iterator[Measured]:
        """Yield all deviations, then raise ``MeasurementError`` if one exceeds the alarm."""
        work, worst = Substitution(session.bench, settings, _points_hz(settings)), (0.0, 0.0)
        pad_db = settings.pad.db
        for each in work.run(session):
            deviation = each.loss_db - work.path.loss_db(each.frequency_hz, pad_db=pad_db)
            worst = max(worst, (abs(deviation), each.frequency_hz))
            yield Measured(
                name="path_deviation",
                value=deviation,
                index=each.frequency_hz,
                evidence=each.evidence,
                note=_against(work.path, each.frequency_hz, pad_db),
                budget=_budget(session.bench, work.path, each, pad_db),
            )
        if worst[0] > settings.alarm.db:
            raise MeasurementError(
                f"path {work.path.name} is {worst[0]:.2f} dB off at {frequency_text(worst[1])}; the alarm is "
                f"at {settings.alarm}",
                next_step="tighten the connectors and verify again, else calibrate the path anew",
            )


def _against(path: Path, frequency_hz: float, pad_db: float) -> str:
    calibration = path.calibration(frequency_hz, pad_db=pad_db)
    return "against " + (
        f"the calibration {calibration.file}" if calibration else "the losses of the elements"
    )


def _budget(bench: Bench, path: Path, loss: Loss, pad_db: float) -> Budget:
    """Return the budget of a deviation: of the loss now, and of the loss that the bench counts with."""
    bare = path.between(None, None)
    near = frequency_text(loss.frequency_hz)
    believed = [
        line
        for line in path_lines(bare, loss.frequency_hz, pad_db=pad_db, near=near)
        if line.stated or line.quantity != "mismatch"  # the ends are those of the loss now
    ]
    return bench.budget("dB", (*loss.budget.lines, *believed))


def _points_hz(settings: PathVerificationSettings) -> tuple[float, ...]:
    low, high = settings.from_.hz, settings.to.hz
    count = settings.points if high > low else 1
    spots = np.linspace(low, high, count) if count > 1 else [(low + high) / 2]
    return tuple(float(round(hz)) for hz in spots)
