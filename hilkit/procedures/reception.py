"""What all measurements at a receive port share: blocks of samples, what is known of the sources, checks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from hilkit.analysis.samples import clipped_share
from hilkit.bench.path import PathError
from hilkit.bench.path_budget import missing_line, reflection_of
from hilkit.bench.reflection import of_vswr
from hilkit.errors import BenchError, SafetyStop
from hilkit.judgement.mismatch import mismatch_line
from hilkit.procedures.contract import Band, Exposure, Settings, SourceExposure
from hilkit.procedures.fields import Channel
from hilkit.quantities import Between, Frequency
from hilkit.readings import BudgetLine, Evidence
from hilkit.safety import Lead, RfState
from hilkit.safety.receive import Sent, refuse_receive_overload

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.bench.receive import ReceivePath
    from hilkit.safety import Session

__all__ = [
    "Listener",
    "ReceiveProcedure",
    "ReceiveSettings",
    "check",
    "generators_of",
    "noise_source_of",
    "source_lines",
]

_BLOCK_S = 0.3
"""About what one block takes on a control line."""


class ReceiveSettings(Settings):
    """What every measurement at a receive port can be told."""

    channel: Channel
    carrier: Annotated[
        Frequency, Between(above="0 Hz"), Field(description="frequency that the receiver is tuned to")
    ]
    samples: Annotated[
        int, Field(ge=1024, le=1_000_000, description="samples of one block, I and Q together being one")
    ] = 16384


def check(name: str, held: bool, observed: str, required: str, sentence: str) -> Evidence:
    """Return one self-check."""
    return Evidence(name=name, held=held, observed=observed, required=required, sentence=sentence)


def _sources(path: ReceivePath, bench: Bench, instrument_class: str) -> list[str]:
    return [name for name in path.inputs if bench.instruments[name].instrument_class == instrument_class]


def generators_of(bench: Bench, channel: int, count: int = 1) -> list[str]:
    """Return the first ``count`` generators at a receive port; ``BenchError`` where there are fewer."""
    path = bench.receive_path(channel)
    found = _sources(path, bench, "signal_generator")
    if len(found) < count:
        raise BenchError(
            f"receive path {path.name} has {len(found)} of {count} signal generators that are needed",
            next_step="connect another one, and add it to the inputs of this path",
        )
    return found[:count]


def noise_source_of(bench: Bench, channel: int) -> str:
    """Return the noise source at a receive port; ``BenchError`` where there is none."""
    path = bench.receive_path(channel)
    for name in _sources(path, bench, "noise_source"):
        return name
    raise BenchError(
        f"receive path {path.name} has no noise source",
        next_step="connect one, and add it to the inputs of this path",
    )


def source_lines(bench: Bench, channel: int, source: str, frequency_hz: float) -> Iterator[BudgetLine]:
    """Yield what makes the level of a source at a receive port doubtful, in dB."""
    path, spec = bench.receive_path(channel), bench.instruments[source]
    if spec.instrument_class == "signal_generator":
        level = spec.figure("level")
        quantity = f"level of {source}"
        yield (
            missing_line(quantity, f"no level accuracy for {source} in the bench file", shared=quantity)
            if level is None
            else level.line(quantity, shared=quantity)
        )
    figure, quantity = path.inputs[source].elements[0].uncertainty, f"loss from {source} to {path.port}"
    yield (
        missing_line(quantity, "no uncertainty for this loss in the bench file", shared=quantity)
        if figure is None
        else figure.line(quantity, shared=quantity)
    )
    yield _mismatch(bench, path, source, frequency_hz)


def _mismatch(bench: Bench, path: ReceivePath, source: str, frequency_hz: float) -> BudgetLine:
    """The source seen through its loss twice, against the port; the combiner itself counts as matched."""
    sending = of_vswr(bench.instruments[source].accuracy, source)
    port = next((each.source for each in bench.paths.values()), None)
    quantity = f"mismatch {source} - {path.port}"
    if sending is None or port is None:
        unknown = source if sending is None else "radio"
        return missing_line(quantity, f"no VSWR in the bench file for {unknown}", shared=quantity)
    seen = 10 ** (-path.loss_db(source, frequency_hz) / 10)
    return mismatch_line(
        reflection_of(sending, frequency_hz, seen),
        reflection_of(port, frequency_hz),
        quantity=quantity,
        source=f"{sending.source}, {port.source}",
        shared=quantity,
        frequency_hz=frequency_hz,
    )


@dataclass
class Listener:
    """A receiver in hand, which counts how many samples stood at the end of the converter's range."""

    session: Session
    settings: ReceiveSettings

    def __post_init__(self) -> None:
        self.session.receive.begin(self.settings.channel, self.settings.carrier.hz)
        self.rate_hz = self.session.receive.sample_rate_hz()
        self._clipped: list[float] = []

    def block(self) -> NDArray[np.complex128]:
        """Return one block of samples."""
        samples = self.session.receive.samples(self.settings.samples)
        self._clipped.append(clipped_share(samples))
        return samples

    def clipping(self) -> Evidence:
        """Return whether any sample so far was clipped, and forget them."""
        share = max(self._clipped, default=0.0)
        self._clipped.clear()
        return check(
            "clipping",
            share == 0,
            f"{share:.3%} of the samples of a block",
            "no sample at the end of the range",
            "the converter is overdriven" if share else "no sample stands at the end of the range",
        )


class ReceiveProcedure:
    """What a procedure at a receive port declares: no RF of the radio, no path to an analyser."""

    @staticmethod
    def sent(settings: ReceiveSettings, bench: Bench) -> Sequence[Sent]:
        """Return what the generators may send, each with what is on at the same time."""
        return ()

    def envelope(self, settings: ReceiveSettings, bench: Bench) -> tuple[Exposure, ...]:
        """The radio without RF; what the generators send is checked before it is on."""
        state = RfState(
            channel=settings.channel, carrier_hz=settings.carrier.hz, attenuation_db=0.0, rf_on=False
        )
        return (Exposure(state=state, expected_s=_BLOCK_S * max(1, len(self.sent(settings, bench)))),)

    def sources(self, settings: ReceiveSettings, bench: Bench) -> Iterator[SourceExposure]:
        """Every setting of a generator, with what others send then."""
        port = bench.receive_path(settings.channel).port
        for sent in self.sent(settings, bench):
            first, *rest = sent.items()
            yield SourceExposure(
                generator=first[0],
                lead=Lead(
                    sensor=port,
                    receive=settings.channel,
                    others=tuple((name, hz, dbm) for name, (hz, dbm) in rest),
                ),
                frequency_hz=first[1][0],
                level_dbm=first[1][1],
            )

    def reads(self, settings: ReceiveSettings, bench: Bench) -> tuple[Band, ...]:
        """Nothing is read through the path to the analyser."""
        return ()

    def misfits(self, settings: ReceiveSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse a carrier that the radio does not have, and a level that the receive port does not stand."""
        if not bench.radio.carrier_allowed(settings.carrier.hz):
            yield "carrier", f"{settings.carrier} is outside {bench.radio.bands_text}"
        try:
            path = bench.receive_path(settings.channel)
            for sent in self.sent(settings, bench):
                for name, (hz, dbm) in sent.items():
                    yield from _limits(bench, name, hz, dbm)
                refuse_receive_overload(bench, path, sent)
        except SafetyStop as error:
            yield "level", f"{error.message}; {error.next_step}"
        except PathError as error:
            yield "channel", f"{error.message}; {error.next_step}"

    def rests_on(self, settings: ReceiveSettings, bench: Bench) -> tuple[str, ...]:
        """The sources at this receive port."""
        return tuple(bench.receive_path(settings.channel).inputs)


def _limits(bench: Bench, name: str, hz: float, dbm: float) -> Iterator[tuple[str, str]]:
    spec = bench.instruments[name]
    for key, value in (("frequency", hz), ("level", dbm)):
        capability = spec.dialect.capabilities[key]
        if not capability.limits.hold(value):
            yield (
                "level" if key == "level" else "carrier",
                f"{capability.shown(value)} is beyond {name}: its driver allows {capability.allowed()}",
            )
