"""Gain of a receiver, from a tone of a generator to its own samples."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated

import numpy as np
from pydantic import Field

from hilkit.analysis.samples import lines_dbfs
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
from hilkit.readings import Measured, ReadingSpec

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session
    from hilkit.safety.receive import Sent

__all__ = ["ReceiverGain", "ReceiverGainSettings"]

_LINEAR_DB = 0.1
_STEP_DB = 10.0
_GONE_DB = 30.0


class ReceiverGainSettings(ReceiveSettings):
    """What the step can be told."""

    offset: Annotated[Frequency, Field(description="offset of the tone from the carrier")] = Frequency(3.1e6)
    level: Annotated[Level, Field(description="level of the generator at its connector")] = Level(-40.0)
    blocks: Annotated[int, Field(ge=2, le=100, description="blocks of samples")] = 4


class ReceiverGain(ReceiveProcedure, Procedure[ReceiverGainSettings]):
    """The tone read at its level, once more 10 dB lower, and with the generator off."""

    name = "receiver_gain"
    summary = "gain of a receiver: what a level at its port gives in its samples"
    settings_model = ReceiverGainSettings
    readings = (
        ReadingSpec(name="receiver_gain", unit="dB", meaning="dBFS in the samples over dBm at the port"),
        ReadingSpec(name="full_scale_level", unit="dBm", meaning="level at the port that reaches 0 dBFS"),
    )
    needs = (
        Need(instrument_class="signal_generator"),
        Need(instrument_class="radio", capabilities=("receive_carrier", "sample_rate", "samples")),
    )
    establishes_state = False

    @staticmethod
    def sent(settings: ReceiveSettings, bench: Bench) -> Sequence[Sent]:
        """The tone at its level and lower."""
        assert isinstance(settings, ReceiverGainSettings)
        name = generators_of(bench, settings.channel)[0]
        hz = settings.carrier.hz + settings.offset.hz
        return tuple({name: (hz, settings.level.dbm - down)} for down in (0.0, _STEP_DB))

    def measure(self, session: Session, settings: ReceiverGainSettings) -> Iterator[Measured]:
        """Read the tone three times: as set, lower, and gone."""
        listener, bench = Listener(session, settings), session.bench
        try:
            levels = []
            for sent in self.sent(settings, bench):
                ((name, (hz, dbm)),) = sent.items()
                session.receive.send(name, hz, dbm)
                levels.append([self._tone(listener, settings) for _ in range(settings.blocks)])
            clipping = listener.clipping()
            session.receive.mute()
            rest_db = self._tone(listener, settings)
        finally:
            session.receive.off()
        high, low = (float(np.mean(each)) for each in levels)
        arrives = settings.level.dbm - bench.receive_path(settings.channel).loss_db(name, hz)
        bent_db = high - low - _STEP_DB
        scatter = scatter_line(
            "scatter of the tone",
            float(np.std(levels[0], ddof=1)) / settings.blocks**0.5,
            unit="dB",
            freedom=float(settings.blocks - 1),
            source=f"{settings.blocks} blocks",
        )
        lines = [scatter, *source_lines(bench, settings.channel, name, hz)]
        evidence = (
            clipping,
            check(
                "linear",
                abs(bent_db) <= _LINEAR_DB,
                f"{bent_db:+.3f} dB of gain more than {_STEP_DB:g} dB lower",
                f"within {_LINEAR_DB:g} dB",
                "the receiver is linear here"
                if abs(bent_db) <= _LINEAR_DB
                else "the receiver is driven too hard",
            ),
            check(
                "tone goes",
                high - rest_db >= _GONE_DB,
                f"{high - rest_db:.1f} dB lower with the generator off",
                f"at least {_GONE_DB:g} dB",
                "the tone is the generator's"
                if high - rest_db >= _GONE_DB
                else "what was read is not the generator's, or hardly above the noise",
            ),
        )
        for reading, unit, value in (
            ("receiver_gain", "dB", high - arrives),
            ("full_scale_level", "dBm", arrives - high),
        ):
            yield Measured(name=reading, value=value, evidence=evidence, budget=bench.budget(unit, lines))

    @staticmethod
    def _tone(listener: Listener, settings: ReceiverGainSettings) -> float:
        return float(lines_dbfs(listener.block(), listener.rate_hz, (settings.offset.hz,))[0])
