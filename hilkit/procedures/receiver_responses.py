"""What a receiver hears that it should not: its image, its DC offset, what lies outside its channel."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from hilkit.analysis.samples import lines_dbfs, offset_dbfs, strongest_hz
from hilkit.procedures.budgets import scatter_line
from hilkit.procedures.contract import Need, Procedure
from hilkit.procedures.reception import (
    Listener,
    ReceiveProcedure,
    ReceiveSettings,
    check,
    generators_of,
    source_lines,
)
from hilkit.quantities import Frequency, Level
from hilkit.readings import Bound, BudgetLine, Evidence, Measured, ReadingSpec

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session
    from hilkit.safety.receive import Sent

__all__ = ["ReceiverResponses", "ReceiverResponsesSettings"]

_SCATTER_DB = 1.0
_ABOVE_DB = 10.0
_HIDDEN_DB = 3.0


class ReceiverResponsesSettings(ReceiveSettings):
    """What the step can be told."""

    offset: Annotated[Frequency, Field(description="offset of the wanted tone")] = Frequency(3.1e6)
    level: Annotated[Level, Field(description="level of the wanted tone at the generator")] = Level(-35.0)
    elsewhere: Annotated[
        tuple[Frequency, ...],
        Field(description="frequencies outside the channel at which the receiver should hear nothing"),
    ] = ()
    elsewhere_level: Annotated[Level, Field(description="level of the generator there")] = Level(-25.0)
    blocks: Annotated[int, Field(ge=3, le=100, description="blocks of samples at each setting")] = 4


class ReceiverResponses(ReceiveProcedure, Procedure[ReceiverResponsesSettings]):
    """One tone inside the channel, then one at each frequency where nothing should be heard."""

    name = "receiver_responses"
    summary = "image, DC offset and responses of a receiver outside its channel, from its own samples"
    settings_model = ReceiverResponsesSettings
    readings = (
        ReadingSpec(name="receive_image", unit="dBc", meaning="image of a tone over the tone"),
        ReadingSpec(name="dc_offset", unit="dBFS", meaning="constant part of the samples"),
        ReadingSpec(
            name="response_rejection",
            unit="dB",
            meaning="level at the port over the level of a wanted tone that reads the same",
            series=True,
            index_name="frequency",
            index_unit="Hz",
        ),
    )
    needs = (
        Need(instrument_class="signal_generator"),
        Need(instrument_class="radio", capabilities=("receive_carrier", "sample_rate", "samples")),
    )
    establishes_state = False

    @staticmethod
    def sent(settings: ReceiveSettings, bench: Bench) -> Sequence[Sent]:
        """The wanted tone, then each of the others."""
        assert isinstance(settings, ReceiverResponsesSettings)
        name = generators_of(bench, settings.channel)[0]
        wanted = (settings.carrier.hz + settings.offset.hz, settings.level.dbm)
        others = ((each.hz, settings.elsewhere_level.dbm) for each in settings.elsewhere)
        return tuple({name: each} for each in (wanted, *others))

    def yields(self, settings: ReceiverResponsesSettings) -> Iterator[tuple[str, str]]:
        """The series only where frequencies are named."""
        yield "receive_image", ""
        yield "dc_offset", ""
        if settings.elsewhere:
            yield "response_rejection", ""

    def measure(self, session: Session, settings: ReceiverResponsesSettings) -> Iterator[Measured]:
        """Read tone, image and offset, then what is heard of each other frequency."""
        listener, bench = Listener(session, settings), session.bench
        wanted, *others = self.sent(settings, bench)
        ((name, (hz, dbm)),) = wanted.items()
        path, offset = bench.receive_path(settings.channel), settings.offset.hz
        try:
            session.receive.send(name, hz, dbm)
            blocks = [listener.block() for _ in range(settings.blocks)]
            seen = np.array([lines_dbfs(each, listener.rate_hz, (offset, -offset)) for each in blocks])
            tone = float(seen[:, 0].mean())
            yield self._image(bench, settings, seen, listener.clipping())
            yield self._offset(bench, [offset_dbfs(each) for each in blocks])
            gain = tone - (dbm - path.loss_db(name, hz))
            for sent in others:
                ((_, (other_hz, other_dbm)),) = sent.items()
                session.receive.send(name, other_hz, other_dbm)
                heard = [listener.block() for _ in range(settings.blocks)]
                session.receive.mute()
                quiet = listener.block()
                clipping = listener.clipping()
                arrives = other_dbm - path.loss_db(name, other_hz)
                yield self._response(
                    session, settings, listener.rate_hz, heard, quiet, gain + arrives, other_hz, clipping
                )
        finally:
            session.receive.off()

    @staticmethod
    def _image(
        bench: Bench, settings: ReceiverResponsesSettings, seen: NDArray[Any], clipping: Evidence
    ) -> Measured:
        values = seen[:, 1] - seen[:, 0]
        sd = float(values.std(ddof=1))
        noisy = sd > _SCATTER_DB
        scatter = _scatter("scatter of the image", sd, settings.blocks)
        # The same source and path count for both: nothing of them is left in the ratio.
        return Measured(
            name="receive_image",
            value=float(values.max()) + _HIDDEN_DB if noisy else float(values.mean()),
            bound=Bound.UPPER if noisy else Bound.EXACT,
            confidence=0.95 if noisy else None,
            evidence=(clipping,),
            budget=bench.budget("dBc", [scatter]),
            note="not above the noise" if noisy else "",
        )

    @staticmethod
    def _offset(bench: Bench, values: Sequence[float]) -> Measured:
        sd = float(np.std(values, ddof=1))
        evidence = check(
            "steady",
            sd <= _SCATTER_DB,
            f"scatter {sd:.2f} dB from block to block",
            f"at most {_SCATTER_DB:g} dB",
            "the offset is steady" if sd <= _SCATTER_DB else "the offset moves, or is noise",
        )
        budget = bench.budget("dBFS", [_scatter("scatter of the offset", sd, len(values))])
        return Measured(name="dc_offset", value=float(np.mean(values)), evidence=(evidence,), budget=budget)

    def _response(
        self,
        session: Session,
        settings: ReceiverResponsesSettings,
        rate_hz: float,
        heard: Sequence[NDArray[Any]],
        quiet: NDArray[Any],
        wanted_dbfs: float,
        hz: float,
        clipping: Evidence,
    ) -> Measured:
        """What stands highest in the samples, against what a wanted tone of this level would give."""
        bench = session.bench
        place = strongest_hz(heard[0], rate_hz)
        levels = [float(lines_dbfs(each, rate_hz, (place,))[0]) for each in heard[1:]]
        rest = float(lines_dbfs(quiet, rate_hz, (place,))[0])
        level = 10 * math.log10(float(np.mean([10 ** (each / 10) for each in levels])))
        seen = level - rest >= _ABOVE_DB
        (name,) = generators_of(bench, settings.channel)
        near = settings.carrier.hz + settings.offset.hz
        spread = float(np.std(levels, ddof=1))
        lines = [
            _scatter("scatter of the response", spread, len(levels)),
            *source_lines(bench, settings.channel, name, hz),
            *(
                replace(each, sensitivity=-each.sensitivity)
                for each in source_lines(bench, settings.channel, name, near)
            ),
        ]
        if not seen:  # what may hide in this noise is not more than its highest value and as much again
            level = max(*levels, rest) + _HIDDEN_DB
        note = f"heard at {place / 1e6:+.3f} MHz in the samples" if seen else "nothing heard above the noise"
        return Measured(
            name="response_rejection",
            value=wanted_dbfs - level,
            index=hz,
            bound=Bound.EXACT if seen else Bound.LOWER,
            confidence=None if seen else 0.95,
            evidence=(clipping,),
            budget=bench.budget("dB", lines),
            note=note,
        )


def _scatter(quantity: str, sd_db: float, count: int) -> BudgetLine:
    return scatter_line(
        quantity, sd_db / math.sqrt(count), unit="dB", freedom=float(count - 1), source=f"{count} blocks"
    )
