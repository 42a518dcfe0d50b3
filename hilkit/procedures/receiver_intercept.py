"""Third-order intercept of a receiver, referred to its port, from two generators and its own samples."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import numpy as np
from pydantic import Field

from hilkit.analysis.intercept import input_intercept_dbm, product_offsets_hz, third_order_slope
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
from hilkit.quantities import Between, Frequency, Level, Ratio
from hilkit.readings import BudgetLine, Measured, ReadingSpec

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session
    from hilkit.safety.receive import Sent

__all__ = ["ReceiverIntercept", "ReceiverInterceptSettings"]

_SLOPE, _SLOPE_WITHIN = 3.0, 0.4
"""A third-order product follows 3 dB per dB; 0.4 is common practice, no source."""
_SCATTER_DB = 1.0


class ReceiverInterceptSettings(ReceiveSettings):
    """What the step can be told."""

    lower: Annotated[Frequency, Field(description="offset of the first tone")] = Frequency(3.1e6)
    upper: Annotated[Frequency, Field(description="offset of the second tone")] = Frequency(4.3e6)
    level: Annotated[Level, Field(description="level of each tone at the receive port")] = Level(-33.0)
    step: Annotated[
        Ratio, Between(low="1 dB"), Field(description="how much lower the tones are read once more")
    ] = Ratio(4.0)
    blocks: Annotated[int, Field(ge=2, le=100, description="blocks of samples at each level")] = 4


class ReceiverIntercept(ReceiveProcedure, Procedure[ReceiverInterceptSettings]):
    """Both products at two levels: the slope says whether they are of third order."""

    name = "receiver_intercept"
    summary = "third-order intercept of a receiver at its port, from its own samples"
    settings_model = ReceiverInterceptSettings
    readings = (
        ReadingSpec(name="input_ip3", unit="dBm", meaning="input IP3 at the port, of the stronger product"),
        ReadingSpec(name="product_slope", unit="1", meaning="dB of product for each dB of both tones"),
    )
    needs = (
        Need(instrument_class="signal_generator"),
        Need(instrument_class="radio", capabilities=("receive_carrier", "sample_rate", "samples")),
    )
    establishes_state = False

    @staticmethod
    def sent(settings: ReceiveSettings, bench: Bench) -> Sequence[Sent]:
        """Both tones at two levels, each corrected for its own loss to the port."""
        assert isinstance(settings, ReceiverInterceptSettings)
        names, path = generators_of(bench, settings.channel, 2), bench.receive_path(settings.channel)
        found = []
        for down in (0.0, settings.step.db):
            both = {}
            for name, offset in zip(names, (settings.lower, settings.upper), strict=True):
                hz = settings.carrier.hz + offset.hz
                level = settings.level.dbm - down + path.loss_db(name, hz)
                both[name] = (hz, round(level, 2))
            found.append(both)
        return tuple(found)

    def misfits(self, settings: ReceiverInterceptSettings, bench: Bench) -> Iterator[tuple[str, str]]:  # type: ignore[override]
        """Refuse tones on one frequency."""
        yield from super().misfits(settings, bench)
        if settings.lower == settings.upper:
            yield "upper", "both tones have one offset"

    def measure(self, session: Session, settings: ReceiverInterceptSettings) -> Iterator[Measured]:
        """Read tones and products at both levels."""
        listener, bench = Listener(session, settings), session.bench
        offsets = (settings.lower.hz, settings.upper.hz)
        lines_hz = (*offsets, *product_offsets_hz(*offsets))
        seen = []
        try:
            for sent in self.sent(settings, bench):
                for name, (hz, dbm) in sent.items():
                    session.receive.send(name, hz, dbm)
                blocks = [
                    lines_dbfs(listener.block(), listener.rate_hz, lines_hz) for _ in range(settings.blocks)
                ]
                seen.append(np.array(blocks))
                session.receive.mute()
        finally:
            session.receive.off()
        high, low = (each.mean(axis=0) for each in seen)
        worst = int(np.argmax(high[2:]))
        slope = third_order_slope(float(low[2 + worst]), float(high[2 + worst]), settings.step.db)
        product_sd = float(seen[0][:, 2 + worst].std(ddof=1))
        # 2 f1 - f2 lies beside f1: it takes the first tone twice and the second once.
        value = input_intercept_dbm(settings.level.dbm, float(high[:2].mean()), float(high[2 + worst]))
        good = abs(slope - _SLOPE) <= _SLOPE_WITHIN
        evidence = (
            listener.clipping(),
            check(
                "third order",
                good,
                f"{slope:.2f} dB per dB",
                f"{_SLOPE:g} within {_SLOPE_WITHIN:g}",
                "the products are of third order"
                if good
                else "the products do not follow the tones as third order does: noise, or too much level",
            ),
            check(
                "product above noise",
                product_sd <= _SCATTER_DB,
                f"scatter {product_sd:.2f} dB from block to block",
                f"at most {_SCATTER_DB:g} dB",
                "the product stands out of the noise"
                if product_sd <= _SCATTER_DB
                else "the product is noise",
            ),
        )
        lines = list(self._lines(bench, settings, product_sd))
        yield Measured(
            name="input_ip3",
            value=value,
            evidence=evidence,
            budget=bench.budget("dBm", lines),
            note=f"product {high[:2].mean() - high[2 + worst]:.1f} dB under the tones",
        )
        by_level = _scatter(settings, product_sd, 2**0.5 / settings.step.db)
        yield Measured(
            name="product_slope", value=slope, evidence=evidence, budget=bench.budget("1", [by_level])
        )

    def _lines(
        self, bench: Bench, settings: ReceiverInterceptSettings, product_sd: float
    ) -> Iterator[BudgetLine]:
        """Each tone counts by half: its level in the mean of both at the port."""
        for sent in self.sent(settings, bench)[:1]:
            for name, (hz, _) in sent.items():
                for line in source_lines(bench, settings.channel, name, hz):
                    yield replace(line, sensitivity=line.sensitivity / 2)
        yield _scatter(settings, product_sd, 0.5)


def _scatter(settings: ReceiverInterceptSettings, sd_db: float, factor: float) -> BudgetLine:
    line = scatter_line(
        "scatter of the product",
        sd_db / settings.blocks**0.5,
        unit="dB",
        freedom=float(settings.blocks - 1),
        source=f"{settings.blocks} blocks",
    )
    return replace(line, sensitivity=factor)
