"""Noise figure of a receiver from its own samples: by a noise source, or by its gain."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Literal

import numpy as np
from pydantic import Field

from hilkit.analysis.noise_figure import (
    by_gain_k,
    by_y_factor_k,
    enr_at_db,
    hot_k,
    noise_figure_db,
    seen_through_k,
)
from hilkit.analysis.samples import SampleNoise, lines_dbfs, noise_density
from hilkit.bench.path_budget import missing_line
from hilkit.procedures.budgets import scatter_line
from hilkit.procedures.contract import Need, Procedure
from hilkit.procedures.evidence import settled_check
from hilkit.procedures.reception import (
    Listener,
    ReceiveProcedure,
    ReceiveSettings,
    check,
    generators_of,
    noise_source_of,
    source_lines,
)
from hilkit.quantities import Between, Frequency, Level
from hilkit.readings import BudgetLine, Evidence, Measured, ReadingSpec

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session
    from hilkit.safety.receive import Sent

__all__ = ["NoiseFigure", "NoiseFigureSettings"]

_ZERO_C_K = 273.15
_COLD_WITHIN_K = 2.0
"""How well the temperature of a source on a bench is known: common practice, no source."""
_LEAST_Y_DB = 1.0
"""Below this the scatter of both powers decides the result: common practice, no source."""
_STEP = 1e-3


class NoiseFigureSettings(ReceiveSettings):
    """What the step can be told."""

    method: Annotated[
        Literal["y_factor", "gain"],
        Field(description="noise source on and off, or noise and gain by a generator"),
    ] = "y_factor"
    bandwidth: Annotated[
        Frequency, Between(above="0 Hz"), Field(description="width around the carrier in which noise counts")
    ] = Frequency(18e6)
    blocks: Annotated[int, Field(ge=2, le=1000, description="blocks of samples in each state")] = 8
    offset: Annotated[Frequency, Field(description="offset of the tone, for the gain method")] = Frequency(
        3.1e6
    )
    level: Annotated[Level, Field(description="level of the generator, for the gain method")] = Level(-50.0)


class NoiseFigure(ReceiveProcedure, Procedure[NoiseFigureSettings]):
    """No second stage is taken out: the receiver down to its samples is the unit itself."""

    name = "noise_figure"
    summary = "noise figure of a receiver, from its own samples"
    settings_model = NoiseFigureSettings
    readings = (
        ReadingSpec(name="noise_figure", unit="dB", meaning="noise figure at the receive port, 290 K"),
        ReadingSpec(
            name="y_factor", unit="dB", meaning="noise with the source on over that with the source off"
        ),
    )
    needs = (Need(instrument_class="radio", capabilities=("receive_carrier", "sample_rate", "samples")),)
    establishes_state = False

    @staticmethod
    def sent(settings: ReceiveSettings, bench: Bench) -> Sequence[Sent]:
        """The tone of the gain method."""
        assert isinstance(settings, NoiseFigureSettings)
        if settings.method != "gain":
            return ()
        name = generators_of(bench, settings.channel)[0]
        return ({name: (settings.carrier.hz + settings.offset.hz, settings.level.dbm)},)

    def yields(self, settings: NoiseFigureSettings) -> Iterator[tuple[str, str]]:
        """The Y factor comes with its own method only."""
        yield "noise_figure", ""
        if settings.method == "y_factor":
            yield "y_factor", ""

    def misfits(self, settings: NoiseFigureSettings, bench: Bench) -> Iterator[tuple[str, str]]:  # type: ignore[override]
        """Refuse a source that is not there, or has no ENR at the carrier."""
        yield from super().misfits(settings, bench)
        if settings.method == "y_factor":
            enr_at_db(settings.carrier.hz, *_table(bench, noise_source_of(bench, settings.channel)))

    def measure(self, session: Session, settings: NoiseFigureSettings) -> Iterator[Measured]:
        """Take blocks in two states and compare."""
        listener = Listener(session, settings)
        try:
            yield from (
                _by_source(listener, settings)
                if settings.method == "y_factor"
                else _by_gain(listener, settings)
            )
        finally:
            session.receive.off()


def _table(bench: Bench, source: str) -> tuple[list[float], list[float]]:
    enr = bench.instruments[source].enr
    return [hz for hz, _ in enr], [db for _, db in enr]


def _noise(listener: Listener, settings: NoiseFigureSettings) -> list[SampleNoise]:
    half = settings.bandwidth.hz / 2
    return [
        noise_density(listener.block(), listener.rate_hz, band_hz=(-half, half))
        for _ in range(settings.blocks)
    ]


def _mean(noise: Sequence[SampleNoise]) -> tuple[float, float]:
    """Mean density and the relative standard deviation of the mean, by the scatter of the blocks."""
    values = np.array([each.density for each in noise])
    return float(values.mean()), float(values.std(ddof=1) / values.mean() / math.sqrt(len(values)))


def _alone(noise: Sequence[SampleNoise]) -> Evidence:
    most = max(each.peak_db for each in noise)
    allowed = noise[0].peak_of_noise_db
    return check(
        "noise alone",
        most <= allowed,
        f"highest value {most:.1f} dB above the mean",
        f"at most {allowed:.1f} dB, as noise alone has",
        "nothing but noise was received" if most <= allowed else "a signal stands in the band of the noise",
    )


def _halves(noise: Sequence[SampleNoise], sd: float) -> Evidence:
    middle = len(noise) // 2
    first, second = (np.mean([each.density for each in part]) for part in (noise[:middle], noise[middle:]))
    return settled_check(10 * math.log10(second / first), 2 * 4.343 * sd, what="the noise")


def _slope(of: Callable[[float], float], at: float) -> float:
    return (of(at + _STEP) - of(at - _STEP)) / (2 * _STEP)


def _by_source(listener: Listener, settings: NoiseFigureSettings) -> Iterator[Measured]:
    session, bench = listener.session, listener.session.bench
    source = noise_source_of(bench, settings.channel)
    spec, hz = bench.instruments[source], settings.carrier.hz
    enr_db, cold_k = enr_at_db(hz, *_table(bench, source)), spec.cold_c + _ZERO_C_K
    loss_db = bench.receive_path(settings.channel).loss_db(source, hz)
    session.receive.noise(source, False)
    cold = _noise(listener, settings)
    session.receive.noise(source, True)
    hot = _noise(listener, settings)
    session.receive.noise(source, False)
    (hot_mean, hot_sd), (cold_mean, cold_sd) = _mean(hot), _mean(cold)
    y_db = 10 * math.log10(hot_mean / cold_mean)

    def figure(
        y_db: float = y_db, enr_db: float = enr_db, loss_db: float = loss_db, at_k: float = cold_k
    ) -> float:
        seen = seen_through_k(hot_k(enr_db), loss_db, at_k)
        ratio = 10 ** (y_db / 10)
        return noise_figure_db(by_y_factor_k(ratio, 1.0, source_hot_k=seen, source_cold_k=at_k))

    value = figure()
    sd_db = 4.343 * math.hypot(hot_sd, cold_sd)
    scatter = scatter_line(
        "scatter of the Y factor",
        sd_db,
        unit="dB",
        freedom=float(2 * (settings.blocks - 1)),
        source=f"{settings.blocks} blocks in each state",
    )
    by_loss = _slope(lambda db: figure(loss_db=db), loss_db)
    lines = [
        _scaled(scatter, _slope(lambda db: figure(y_db=db), y_db)),
        _scaled(_enr_line(bench, source), _slope(lambda db: figure(enr_db=db), enr_db)),
        *(_scaled(line, by_loss) for line in source_lines(bench, settings.channel, source, hz)),
        _cold_line(source, _slope(lambda k: figure(at_k=k), cold_k)),
    ]
    evidence = (
        listener.clipping(),
        _alone((*hot, *cold)),
        _halves(cold, cold_sd),
        check(
            "source seen",
            y_db >= _LEAST_Y_DB,
            f"Y {y_db:.2f} dB",
            f"at least {_LEAST_Y_DB:g} dB",
            "the noise source is well seen" if y_db >= _LEAST_Y_DB else "the noise source is hardly seen",
        ),
    )
    note = f"Y {y_db:.3f} dB, ENR {enr_db:.2f} dB, {loss_db:.2f} dB of loss in front, cold {spec.cold_c:g} °C"
    yield Measured(
        name="noise_figure", value=value, evidence=evidence, budget=bench.budget("dB", lines), note=note
    )
    yield Measured(name="y_factor", value=y_db, evidence=evidence, budget=bench.budget("dB", [scatter]))


def _scaled(line: BudgetLine, factor: float) -> BudgetLine:
    return replace(line, sensitivity=line.sensitivity * factor)


def _enr_line(bench: Bench, source: str) -> BudgetLine:
    figure, quantity = bench.instruments[source].figure("enr"), f"ENR of {source}"
    if figure is None:
        return missing_line(
            quantity, f"no accuracy of the ENR of {source} in the bench file", shared=quantity
        )
    return figure.line(quantity, shared=quantity)


def _cold_line(source: str, per_k: float) -> BudgetLine:
    return BudgetLine.from_half_width(
        f"temperature of {source}, off",
        _COLD_WITHIN_K,
        unit="°C",
        source=f"within {_COLD_WITHIN_K:g} °C (common practice, no source)",
        sensitivity=per_k,
    )


def _by_gain(listener: Listener, settings: NoiseFigureSettings) -> Iterator[Measured]:
    session, bench = listener.session, listener.session.bench
    (generator,) = generators_of(bench, settings.channel)
    hz = settings.carrier.hz + settings.offset.hz
    quiet = _noise(listener, settings)
    session.receive.send(generator, hz, settings.level.dbm)
    tones = [
        float(lines_dbfs(listener.block(), listener.rate_hz, (settings.offset.hz,))[0])
        for _ in range(settings.blocks)
    ]
    session.receive.mute()
    arrives = settings.level.dbm - bench.receive_path(settings.channel).loss_db(generator, hz)
    gain_db = float(np.mean(tones)) - (arrives - 30)  # dBFS over dBW
    density, sd = _mean(quiet)
    room_k = 23.0 + _ZERO_C_K
    value = noise_figure_db(by_gain_k(density, gain_db, source_k=room_k))
    slope = _slope(lambda db: noise_figure_db(by_gain_k(density, db, source_k=room_k)), gain_db)
    scatter = scatter_line(
        "scatter of noise and tone",
        math.hypot(4.343 * sd, float(np.std(tones, ddof=1)) / math.sqrt(settings.blocks)),
        unit="dB",
        freedom=float(settings.blocks - 1),
        source=f"{settings.blocks} blocks in each state",
    )
    lines = [
        _scaled(line, slope) for line in (scatter, *source_lines(bench, settings.channel, generator, hz))
    ]
    evidence = (listener.clipping(), _alone(quiet), _halves(quiet, sd))
    yield Measured(
        name="noise_figure",
        value=value,
        evidence=evidence,
        budget=bench.budget("dB", lines),
        note=f"noise {10 * math.log10(density):.2f} dBFS/Hz, gain {gain_db - 30:.2f} dBFS over dBm",
    )
