"""The loss of a path over frequency, by substitution, as a calibration that the bench file can name."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Annotated

import numpy as np
from pydantic import Field

from hilkit.procedures.contract import Calibrates, Exposure, Need, Procedure, SourceExposure
from hilkit.procedures.substitution import Substitution, SubstitutionSettings
from hilkit.quantities import Between, Frequency, Temperature
from hilkit.readings import Budget, Measured, ReadingSpec

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["PathCalibration", "PathCalibrationSettings"]

_LEAST_POINTS = 3
_MOST_POINTS = 2000


class PathCalibrationSettings(SubstitutionSettings):
    """What the step can be told."""

    step: Annotated[
        Frequency, Between(above="0 Hz"), Field(description="most that two frequencies of the grid are apart")
    ]
    temperature: Annotated[
        Temperature | None, Field(description="temperature of the room, as somebody has read it")
    ] = None


class PathCalibration(Procedure[PathCalibrationSettings]):
    """Reference reading at the plane, then through the path, by the generator alone: the radio stays off."""

    name = "path_calibration"
    summary = "loss of a path over frequency, by generator and power meter or analyser, as a file"
    settings_model = PathCalibrationSettings
    readings = (
        ReadingSpec(
            name="path_loss",
            unit="dB",
            meaning="loss from the radio port to the analyser at this setting of the pad",
            series=True,
            index_name="frequency",
            index_unit="Hz",
        ),
    )
    needs = (Need(instrument_class="signal_generator"), Need(instrument_class="signal_analyser"))
    establishes_state = False
    asks_person = True

    def envelope(self, settings: PathCalibrationSettings, bench: Bench) -> Iterable[Exposure]:
        """The radio without RF; the generator is checked in ``misfits`` and before it is on."""
        return (Substitution(bench, settings, _grid_hz(settings)).exposure(),)

    def sources(self, settings: PathCalibrationSettings, bench: Bench) -> Iterable[SourceExposure]:
        """The generator at every frequency, on the sensor and through the path."""
        return Substitution(bench, settings, _grid_hz(settings)).sources()

    def misfits(self, settings: PathCalibrationSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse a grid that is none, and a level that something on the way does not stand."""
        if settings.to.hz <= settings.from_.hz:
            yield "to", f"{settings.to} does not lie above {settings.from_}"
            return
        count = len(_grid_hz(settings))
        if not _LEAST_POINTS <= count <= _MOST_POINTS:
            yield "step", f"a grid of {count} points; {_LEAST_POINTS} to {_MOST_POINTS} are possible"
            return
        yield from Substitution(bench, settings, _grid_hz(settings)).misfits()

    def calibrates(self, settings: PathCalibrationSettings, bench: Bench) -> Calibrates:
        """The path of the channel, at this setting of its pad."""
        work = Substitution(bench, settings, ())
        return Calibrates(
            path=work.path.name,
            reading="path_loss",
            pad_db=settings.pad.db if work.path.pad_instrument is not None else None,
            sensor=settings.sensor,
            level_dbm=settings.level.dbm,
            instruments=work.instruments,
            temperature_c=None if settings.temperature is None else settings.temperature.celsius,
        )

    def rests_on(self, settings: PathCalibrationSettings, bench: Bench) -> tuple[str, ...]:
        """The generator, what reads the power by these settings, and what stands in the path."""
        return Substitution(bench, settings, ()).instruments

    def least_budget(
        self, name: str, settings: PathCalibrationSettings, bench: Bench, nearest: float
    ) -> Budget | None:
        """Everything but the scatter, at the lowest frequency."""
        return Substitution(bench, settings, ()).least(settings.from_.hz).budget

    def measure(self, session: Session, settings: PathCalibrationSettings) -> Iterator[Measured]:
        """Have a person connect, read twice, yield the difference."""
        work = Substitution(session.bench, settings, _grid_hz(settings))
        for each in map(work.plausible, work.run(session)):
            yield Measured(
                name="path_loss",
                value=each.loss_db,
                index=each.frequency_hz,
                evidence=each.evidence,
                budget=each.budget,
            )


def _grid_hz(settings: PathCalibrationSettings) -> tuple[float, ...]:
    width = settings.to.hz - settings.from_.hz
    count = max(1, math.ceil(width / settings.step.hz - 1e-9) + 1)
    # To a Hz: what the generator is set to and what stands in the file are then one and the same number.
    return tuple(float(round(hz)) for hz in np.linspace(settings.from_.hz, settings.to.hz, count))
