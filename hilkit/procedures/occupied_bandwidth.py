"""How wide a modulated stream is: the bandwidth with 99 % of its power, and the one between two levels."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from hilkit.analysis import Occupied, band_power, occupied_bandwidth, x_db_bandwidth
from hilkit.analysis.occupied import OUTSIDE
from hilkit.procedures.contract import Band, Exposure, Need, Procedure
from hilkit.procedures.evidence import floor_check
from hilkit.procedures.receiver import reference_note, with_evidence
from hilkit.procedures.stream_budgets import WIDENED_RBW, smeared_rbw, width_budget
from hilkit.procedures.streams import (
    Pair,
    Stream,
    StreamSettings,
    misfits_of_stream,
    stream_exposures,
    stream_state,
)
from hilkit.procedures.sweeps import wide_sweep
from hilkit.quantities import Between, Frequency, Ratio
from hilkit.readings import Bound, Budget, Measured, ReadingSpec

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["OccupiedBandwidth", "OccupiedBandwidthSettings"]

_SPAN_PER_BANDWIDTH = 2.0
_RBW_PER_BANDWIDTH = 1 / 200
_SAMPLES = 200.0
_SWEEP_S = 2.1


class OccupiedBandwidthSettings(StreamSettings):
    """What the step can be told."""

    bandwidth: Annotated[
        Frequency,
        Between(above="0 Hz"),
        Field(
            description="channel bandwidth; twice as much is swept, and what it holds counts as all the power"
        ),
    ]
    x: Annotated[
        Annotated[Ratio, Between(low="1 dB", high="60 dB")] | None,
        Field(description="read the x dB bandwidth as well, with this x"),
    ] = None


class OccupiedBandwidth(Procedure[OccupiedBandwidthSettings]):
    """Powers summed from both ends of the span, the floor measured and subtracted."""

    name = "occupied_bandwidth"
    summary = "bandwidth that holds 99 % of the power of a modulated stream"
    settings_model = OccupiedBandwidthSettings
    readings = (
        ReadingSpec(
            name="occupied_bandwidth", unit="Hz", meaning="bandwidth with 0.5 % of the power on each side"
        ),
        ReadingSpec(
            name="occupied_centre_error",
            unit="Hz",
            meaning="middle of the occupied bandwidth less the carrier",
        ),
        ReadingSpec(
            name="x_db_bandwidth",
            unit="Hz",
            meaning="between the outermost places that lie x dB under the highest density",
        ),
    )
    needs = (
        Need(instrument_class="signal_analyser"),
        Need(instrument_class="radio", capabilities=("waveform",)),
    )
    establishes_state = False

    def envelope(self, settings: OccupiedBandwidthSettings, bench: Bench) -> Iterable[Exposure]:
        """The stream at its level, and the same with RF off for the floor."""
        return stream_exposures(settings, bench, off_s=_SWEEP_S, on_s=2 * _SWEEP_S)

    def misfits(self, settings: OccupiedBandwidthSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse a carrier that the radio cannot use, and a span that cannot be swept."""
        yield from misfits_of_stream(settings, bench, *_span(settings))

    def reads(self, settings: OccupiedBandwidthSettings, bench: Bench) -> Iterator[Band]:
        """The span that is swept."""
        low_hz, high_hz = _span(settings)
        pad_db = stream_state(settings, bench).pad_db
        yield Band(channel=settings.channel, low_hz=low_hz, high_hz=high_hz, pad_db=pad_db)

    def yields(self, settings: OccupiedBandwidthSettings) -> Iterable[tuple[str, str]]:
        """No x dB bandwidth unless it is asked for."""
        left_out = ("x_db_bandwidth",) if settings.x is None else ()
        return [(name, phase) for name, phase in super().yields(settings) if name not in left_out]

    def measure(self, session: Session, settings: OccupiedBandwidthSettings) -> Iterator[Measured]:
        """Sweep the floor with RF off, then the stream twice."""
        stream = Stream(session, settings, self)
        low_hz, high_hz = _span(settings)
        setup = wide_sweep(
            low_hz,
            high_hz,
            rbw_hz=settings.bandwidth.hz * _RBW_PER_BANDWIDTH,
            at=stream.receiver.range,
            limits=stream.receiver.limits,
            samples=_SAMPLES,
        )
        (pair,) = stream.pairs(setup)
        again, later = stream.receiver.again()
        loss_db = stream.receiver.losses_db(pair.trace.frequency_hz)
        power, once_more, noise = (
            band_power(trace, low_hz=low_hz, high_hz=high_hz, correction_db=loss_db)
            for trace in (pair.trace, again, pair.floor)
        )
        above_db = power.level_dbm - noise.level_dbm
        shared = (
            *pair.evidence,
            *later,
            floor_check(above_db, Bound.EXACT, pair.trace, name="the power in the span"),
            stream.repeated(power, once_more),
            stream.references.check(),
        )
        note = f"{above_db:.1f} dB above the floor with RF off; {reference_note(session)}"
        for measured in _readings(session.bench, settings, pair, loss_db):
            words = f"{measured.note}; {note}" if measured.note else note
            yield with_evidence(replace(measured, note=words), shared)


def _readings(
    bench: Bench, settings: OccupiedBandwidthSettings, pair: Pair, loss_db: NDArray[np.float64]
) -> Iterator[Measured]:
    found = occupied_bandwidth(pair.trace, correction_db=loss_db, floor=pair.floor)
    carrier_hz = settings.carrier.hz
    limits = f"{found.low_hz / 1e6:.4f} to {found.high_hz / 1e6:.4f} MHz"
    yield Measured(
        name="occupied_bandwidth",
        value=found.width_hz,
        note=limits,
        trace=pair.trace,
        budget=_budget(bench, pair, found, 2 * OUTSIDE * found.width_hz),
    )
    yield Measured(
        name="occupied_centre_error",
        value=found.centre_hz - carrier_hz,
        # The width of the filter moves both limits alike.
        budget=width_budget(
            bench,
            pair.trace,
            width_hz=abs(found.centre_hz - carrier_hz),
            at_hz=carrier_hz,
            sd_hz=found.sd_hz / 2,
            moved_by_ripple_hz=OUTSIDE * found.width_hz,
            widened_rbw=0.0,
        ),
    )
    if settings.x is not None:
        x_db = x_db_bandwidth(pair.trace, x_db=settings.x.db, correction_db=loss_db, floor=pair.floor)
        yield Measured(
            name="x_db_bandwidth",
            value=x_db.width_hz,
            note=f"{x_db.low_hz / 1e6:.4f} to {x_db.high_hz / 1e6:.4f} MHz, {settings.x} down",
            budget=_budget(bench, pair, x_db, 0.0, widened_rbw=smeared_rbw(settings.x.db)),
        )


def _budget(
    bench: Bench,
    pair: Pair,
    found: Occupied,
    moved_by_ripple_hz: float,
    *,
    widened_rbw: float = WIDENED_RBW,
) -> Budget:
    return width_budget(
        bench,
        pair.trace,
        width_hz=found.width_hz,
        at_hz=found.width_hz,
        sd_hz=found.sd_hz,
        moved_by_ripple_hz=moved_by_ripple_hz,
        widened_rbw=widened_rbw,
    )


def _span(settings: OccupiedBandwidthSettings) -> tuple[float, float]:
    half_hz = settings.bandwidth.hz * _SPAN_PER_BANDWIDTH / 2
    return settings.carrier.hz - half_hz, settings.carrier.hz + half_hz
