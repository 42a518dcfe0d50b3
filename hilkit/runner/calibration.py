"""Whose calibration ran out, or soon will: told before a run, and what that makes of its verdicts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import ClassVar

from hilkit.bench import Bench, InstrumentSpec, frequency_text
from hilkit.bench.calibration import PathCalibration
from hilkit.bench.inspection import SOON
from hilkit.errors import BenchError
from hilkit.plans import Combination, Step
from hilkit.procedures.contract import Band

__all__ = ["Calibrations", "dates_of"]

_INCONCLUSIVE = "what is read with it is inconclusive"
Spans = list[tuple[float, float]]


@dataclass(frozen=True, kw_only=True)
class Calibrations:
    """The due dates of a bench on the day of the run.

    ``told`` has a sentence for each instrument whose calibration ran out, or does within 30 days, and for
    each path whose calibration is missing, stale or too narrow; ``expired`` are the instruments whose
    calibration ran out, ``allowed`` the plan's reason for which verdicts count all the same. ``refused`` has
    a sentence for each path whose calibration does not allow the run, by the policy of the bench.
    """

    bench: Bench
    told: tuple[str, ...]
    expired: tuple[InstrumentSpec, ...]
    allowed: str = ""
    refused: tuple[str, ...] = ()

    cure: ClassVar[str] = (
        "run path_calibration over these frequencies and name its file in the bench file, under calibrations"
    )

    @classmethod
    def of(
        cls, bench: Bench, runs: Iterable[tuple[Combination, Step]], allowed: str, today: dt.date
    ) -> Calibrations:
        """Look at every instrument of the bench, and at each path that is read."""
        expired, soon = _dated(bench, today)
        bands = tuple(
            dict.fromkeys(band for combination, step in runs for band in _bands(combination, step, bench))
        )
        follows = f"; the plan allows it: {allowed}" if allowed else f"; {_INCONCLUSIVE}"
        ran_out = [_ran_out(spec) for spec in expired]
        ran_out += [sentence for each in _relied_on(bench, bands) if (sentence := _made_overdue(each))]
        told = [f"{sentence}{follows}" for sentence in ran_out]
        paths = tuple(_of_paths(bench, bands, today))
        refused = paths if bench.calibration_policy == "refuse" else ()
        return cls(
            bench=bench, told=(*told, *soon, *paths), expired=expired, allowed=allowed, refused=refused
        )

    def against(self, runs: Iterable[tuple[Combination, Step]]) -> dict[tuple[str, str], str]:
        """Return why verdicts of a combination do not count, by step and name of the reading.

        A reading rests on the instruments that its procedure names for these settings, and on the
        calibration of its path; what the radio reports of itself rests on neither.
        """
        overdue = any(each.overdue for path in self.bench.paths.values() for each in path.calibrations)
        if self.allowed or not (self.expired or overdue):
            return {}
        found: dict[tuple[str, str], str] = {}
        for combination, step in runs:
            if reason := self._against(combination, step):
                counted = [spec.name for spec in step.procedure.readings if not spec.by_radio]
                found |= dict.fromkeys(((step.id, name) for name in counted), reason)
        return found

    def _against(self, combination: Combination, step: Step) -> str:
        try:
            names = step.procedure.rests_on(step.settings(combination), self.bench)
        except BenchError:  # the step itself will say so
            return ""
        relied_on = _relied_on(self.bench, _bands(combination, step, self.bench))
        told = [_ran_out(spec) for spec in self.expired if spec.name in names]
        return "; ".join([*told, *filter(None, map(_made_overdue, relied_on))])


def dates_of(bench: Bench, today: dt.date) -> list[str]:
    """Return what is to be said of the dates of a bench, whatever is run on it.

    A sentence for each instrument whose calibration ran out, or does within 30 days, and for each path
    without a calibration in date where the bench file has a policy for that.
    """
    expired, soon = _dated(bench, today)
    told = [*map(_ran_out, expired), *soon]
    for path in bench.paths.values():
        if bench.calibration_policy is not None and not path.calibrations:
            told.append(f"path {path.name} has no calibration")
        for calibration in path.calibrations:
            told += filter(None, [_made_overdue(calibration)])
            told += _of_calibration(bench, calibration, [calibration.coverage_hz], today)
    return told


def _dated(bench: Bench, today: dt.date) -> tuple[tuple[InstrumentSpec, ...], list[str]]:
    dated = [
        (spec, spec.calibration_due)
        for spec in bench.instruments.values()
        if spec.calibration_due is not None
    ]
    soon = [
        f"the calibration of {spec.name} runs out on {due}, {_in_days((due - today).days)}"
        for spec, due in dated
        if today <= due <= today + SOON
    ]
    return tuple(spec for spec, due in dated if due < today), soon


def _in_days(days: int) -> str:
    return "today" if days == 0 else f"in {days} day{'s' if days != 1 else ''}"


def _bands(combination: Combination, step: Step, bench: Bench) -> tuple[Band, ...]:
    try:
        settings = step.settings(combination)
        bands = tuple(step.procedure.reads(settings, bench))
        for band in bands:
            bench.path(band.channel)
    except BenchError:  # the step itself will say so
        return ()
    return bands


def _relied_on(bench: Bench, bands: Iterable[Band]) -> list[PathCalibration]:
    """Return the calibrations that count somewhere in the bands, each once."""
    found: dict[str, PathCalibration] = {}
    for band in bands:
        calibration = bench.path(band.channel).nearest_calibration(band.pad_db)
        if calibration is not None and calibration.within(band.low_hz, band.high_hz) is not None:
            found.setdefault(calibration.file, calibration)
    return list(found.values())


def _made_overdue(calibration: PathCalibration) -> str:
    """Say which instrument a calibration was made with although its own had run out."""
    if not calibration.overdue:
        return ""
    return (
        f"the calibration {calibration.file} of path {calibration.path} was made on {calibration.date} with "
        + " and ".join(f"{name}, whose own ran out on {due}" for name, due in calibration.overdue)
    )


def _of_paths(bench: Bench, bands: Iterable[Band], today: dt.date) -> Iterator[str]:
    """Yield what is wrong with the calibration of each path over the frequencies that are read through it."""
    if bench.calibration_policy is None:
        return
    missing: dict[str, Spans] = {}
    read: dict[str, tuple[PathCalibration, Spans]] = {}
    for band in bands:
        path, span = bench.path(band.channel), (band.low_hz, band.high_hz)
        calibration = path.nearest_calibration(band.pad_db)
        if calibration is None:
            missing.setdefault(path.name, []).append(span)
        else:
            read.setdefault(calibration.file, (calibration, []))[1].append(span)
    for name, spans in missing.items():
        yield f"path {name} has no calibration; it is read from {_text(spans)}"
    for calibration, spans in read.values():
        yield from _of_calibration(bench, calibration, spans, today)


def _of_calibration(
    bench: Bench, calibration: PathCalibration, spans: Spans, today: dt.date
) -> Iterator[str]:
    outside = [part for low, high in spans for part in calibration.beyond(low, high)]
    if outside:
        falls_back = "; there the losses of its elements count" if bench.calibration_policy == "warn" else ""
        grid = _text([calibration.coverage_hz])
        yield (
            f"path {calibration.path} is not calibrated from {_text(outside)}, where it is read: "
            f"{calibration.file} goes from {grid}{falls_back}"
        )
    inside = [part for low, high in spans if (part := calibration.within(low, high)) is not None]
    if not inside:
        return
    named = f"the calibration {calibration.file} of path {calibration.path}"
    age = (today - calibration.date).days
    if age < 0:
        yield f"{named} is dated {calibration.date}, after today; it is relied on from {_text(inside)}"
    elif bench.calibration_days is not None and age > bench.calibration_days:
        yield (
            f"{named} is {age} days old; the limit is {bench.calibration_days} days; it is relied on from "
            f"{_text(inside)}"
        )


def _text(spans: Spans) -> str:
    """Return ranges in words, those that touch as one."""
    joined = [min(spans)]
    for low, high in sorted(spans):
        if low <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], high))
        else:
            joined.append((low, high))
    return " and from ".join(f"{frequency_text(low)} to {frequency_text(high)}" for low, high in joined)


def _ran_out(spec: InstrumentSpec) -> str:
    return f"the calibration of {spec.name} ran out on {spec.calibration_due}"
