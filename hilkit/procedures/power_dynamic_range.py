"""The total power dynamic range: all resource blocks sent, then a single one, at the same level of each."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from hilkit.errors import MeasurementError
from hilkit.procedures.budgets import ratio_budget
from hilkit.procedures.channel_power import ChannelPower, ChannelPowerSettings
from hilkit.procedures.contract import Band, Exposure, Need, Procedure, Settings
from hilkit.procedures.fields import Attenuation, Carrier, Channel, Drive, Pad
from hilkit.procedures.receiver import merged
from hilkit.quantities import Between, Frequency, FullScaleLevel
from hilkit.readings import Bound, Budget, Measured, ReadingSpec

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["PowerDynamicRange", "PowerDynamicRangeSettings"]

_POWER = ChannelPower()


class PowerDynamicRangeSettings(Settings):
    """What the step can be told."""

    channel: Channel
    carrier: Carrier
    bandwidth: Annotated[
        Frequency, Between(above="0 Hz"), Field(description="width around the carrier in which power counts")
    ]
    full: Annotated[
        str, Field(pattern=r"^[\w.-]+$", description="stream with all resource blocks, by its name")
    ]
    single: Annotated[
        str, Field(pattern=r"^[\w.-]+$", description="stream with one resource block, by its name")
    ]
    full_drive: Drive = FullScaleLevel(-12.0)
    single_drive: Annotated[
        Drive,
        Field(description="level of the single block: that of the whole stream less 10 log of their number"),
    ]
    attenuation: Attenuation
    pad: Pad = None


class PowerDynamicRange(Procedure[PowerDynamicRangeSettings]):
    """Channel power of the full stream less that of a single resource block."""

    name = "power_dynamic_range"
    summary = "total power dynamic range: power of all resource blocks less that of one"
    settings_model = PowerDynamicRangeSettings
    readings = (
        ReadingSpec(
            name="full_power", unit="dBm", meaning="power with all resource blocks at the radio port"
        ),
        ReadingSpec(
            name="single_power", unit="dBm", meaning="power with one resource block at the radio port"
        ),
        ReadingSpec(name="dynamic_range", unit="dB", meaning="the first less the second"),
    )
    needs = (
        Need(instrument_class="signal_analyser"),
        Need(instrument_class="radio", capabilities=("waveform",)),
    )
    establishes_state = False

    def envelope(self, settings: PowerDynamicRangeSettings, bench: Bench) -> Iterable[Exposure]:
        """Both streams, each with RF off before."""
        for each in _both(settings).values():
            yield from _POWER.envelope(each, bench)

    def misfits(self, settings: PowerDynamicRangeSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse what channel_power refuses, and one stream against itself."""
        if settings.full == settings.single:
            yield (
                "single",
                f"{settings.single} is the full stream: there is no range between a stream and itself",
            )
        yield from _POWER.misfits(_both(settings)["full"], bench)

    def reads(self, settings: PowerDynamicRangeSettings, bench: Bench) -> Iterator[Band]:
        """The span that is swept."""
        yield from _POWER.reads(_both(settings)["full"], bench)

    def least_budget(
        self, name: str, settings: PowerDynamicRangeSettings, bench: Bench, nearest: float
    ) -> Budget | None:
        """That of a channel power; of the range only the measurement tells."""
        return (
            None
            if name == "dynamic_range"
            else _POWER.least_budget("", _both(settings)["full"], bench, nearest)
        )

    def measure(self, session: Session, settings: PowerDynamicRangeSettings) -> Iterator[Measured]:
        """Read both powers in one range of the analyser, that of full scale."""
        for setting, sentence in self.misfits(settings, session.bench):
            raise MeasurementError(
                f"power_dynamic_range: {setting}: {sentence}", next_step="choose another value"
            )
        found: dict[str, Measured] = {}
        for which, each in _both(settings).items():
            readings = {measured.name: measured for measured in _POWER.measure(session, each)}
            found[which] = replace(readings["channel_power"], name=f"{which}_power")
            yield found[which]
        full, single = found["full"], found["single"]
        budgets = full.budget, single.budget
        yield Measured(
            name="dynamic_range",
            value=full.value - single.value,
            # What is at most so strong leaves at least so much of a range.
            bound=Bound.LOWER if single.bound is Bound.UPPER else Bound.EXACT,
            confidence=single.confidence,
            evidence=merged((*full.evidence, *single.evidence)),
            budget=ratio_budget(budgets[0], budgets[1], "dB") if budgets[0] and budgets[1] else None,
        )


def _both(settings: PowerDynamicRangeSettings) -> dict[str, ChannelPowerSettings]:
    streams = {
        "full": (settings.full, settings.full_drive),
        "single": (settings.single, settings.single_drive),
    }
    return {
        which: ChannelPowerSettings(
            channel=settings.channel,
            carrier=settings.carrier,
            bandwidth=settings.bandwidth,
            waveform=waveform,
            attenuation=settings.attenuation,
            drive=drive,
            pad=settings.pad,
        )
        for which, (waveform, drive) in streams.items()
    }
