"""Two small procedures that the tests of plans name in their steps; they measure nothing."""

from collections.abc import Iterable, Iterator
from typing import Any, ClassVar, Literal

from pydantic import Field

from hilkit.procedures.contract import Exposure, Need, Procedure, Settings
from hilkit.quantities import Frequency, Ratio
from hilkit.readings import Measured, ReadingSpec


class ToneSettings(Settings):
    channel: int = Field(ge=1)
    carrier: Frequency
    offset: Frequency = Frequency.parse("7.5 MHz")
    filter: Literal["narrow", "wide"] = "wide"
    attenuation: Ratio = Ratio.parse("10 dB")
    resolve_down_to: Ratio | None = None


class Tone(Procedure[ToneSettings]):
    name = "tone"
    summary = "a tone beside the carrier"
    settings_model = ToneSettings
    readings = (
        ReadingSpec(name="tone_level", unit="dBm", meaning="level of the tone"),
        ReadingSpec(name="tone_frequency", unit="Hz", meaning="frequency of the tone"),
        ReadingSpec(
            name="image",
            unit="dBc",
            meaning="the line on the other side of the carrier",
            phases=("uncorrected", "corrected"),
            final_phase="corrected",
        ),
        ReadingSpec(name="lo_leakage", unit="dBc", meaning="the line at the carrier"),
        ReadingSpec(name="lines", unit="1", meaning="number of lines seen"),
    )
    needs: ClassVar[tuple[Need, ...]] = ()
    establishes_state = False

    def envelope(self, settings: ToneSettings, bench: Any) -> Iterable[Exposure]:
        from hilkit.safety import RfState

        state = RfState(
            channel=settings.channel, carrier_hz=settings.carrier.hz, attenuation_db=settings.attenuation.db
        )
        return [Exposure(state=state, expected_s=1.0)]

    def measure(self, session: Any, settings: ToneSettings) -> Iterator[Measured]:
        yield from ()


class LevelsSettings(Settings):
    channel: int
    step: Ratio = Ratio.parse("1 dB")


class Levels(Procedure[LevelsSettings]):
    name = "levels"
    summary = "a series of levels"
    settings_model = LevelsSettings
    readings = (
        ReadingSpec(
            name="step_error",
            unit="dB",
            meaning="error of each step",
            series=True,
            index_name="attenuation",
            index_unit="dB",
        ),
    )
    needs: ClassVar[tuple[Need, ...]] = (Need(instrument_class="step_attenuator"),)
    establishes_state = False

    def envelope(self, settings: LevelsSettings, bench: Any) -> Iterable[Exposure]:
        return ()

    def measure(self, session: Any, settings: LevelsSettings) -> Iterator[Measured]:
        yield from ()


class NothingSettings(Settings):
    pass


class Nothing(Procedure[NothingSettings]):
    name = "nothing"
    summary = "needs no settings"
    settings_model = NothingSettings
    readings = ()
    needs: ClassVar[tuple[Need, ...]] = ()
    establishes_state = True

    def envelope(self, settings: NothingSettings, bench: Any) -> Iterable[Exposure]:
        return ()

    def measure(self, session: Any, settings: NothingSettings) -> Iterator[Measured]:
        yield from ()


PROCEDURES: dict[str, Procedure[Any]] = {each.name: each for each in (Tone(), Levels(), Nothing())}
