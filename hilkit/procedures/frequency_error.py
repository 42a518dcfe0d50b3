"""The frequency of a carrier against the external reference, in hertz and in parts per million."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from hilkit.errors import MeasurementError
from hilkit.procedures.budgets import frequency_budget
from hilkit.procedures.contract import Band, Exposure, Need, Procedure, Settings
from hilkit.procedures.evidence import References
from hilkit.procedures.fields import Attenuation, Carrier, Channel, Drive, Offset, Pad
from hilkit.procedures.least import Least
from hilkit.procedures.lines import ToneLines
from hilkit.procedures.receiver import (
    Receiver,
    check_pad,
    mute_others,
    prepare_analyser,
    reference_note,
    with_evidence,
)
from hilkit.procedures.states import misfits_of_band, misfits_of_carrier, pad_for
from hilkit.quantities import FullScaleLevel
from hilkit.readings import Budget, Measured, ReadingSpec
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["FrequencyError", "FrequencyErrorSettings", "in_ppm"]

_SWEEP_S = 1.5
_DEPTH_DBC = -40.0
_REACH_OFFSETS = 1.5


class FrequencyErrorSettings(Settings):
    """What the step can be told."""

    channel: Channel
    carrier: Carrier
    offset: Offset
    attenuation: Attenuation
    drive: Drive = FullScaleLevel(-6.0)
    pad: Pad = None


class FrequencyError(Procedure[FrequencyErrorSettings]):
    """A tone stands for the carrier: the same synthesiser and clock make both."""

    name = "frequency_error"
    summary = "frequency of the carrier against the external reference, in Hz and ppm"
    settings_model = FrequencyErrorSettings
    readings = (
        ReadingSpec(
            name="frequency_error", unit="Hz", meaning="frequency of the tone less carrier and offset"
        ),
        ReadingSpec(name="frequency_error_ppm", unit="ppm", meaning="the same as a part of the frequency"),
    )
    needs = (Need(instrument_class="signal_analyser"), Need(instrument_class="radio", capabilities=("tone",)))
    establishes_state = False

    def envelope(self, settings: FrequencyErrorSettings, bench: Bench) -> Iterable[Exposure]:
        """The tone at its level."""
        yield Exposure(state=_state(settings, bench), expected_s=_SWEEP_S)

    def misfits(self, settings: FrequencyErrorSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse a carrier or an offset that the radio cannot use, and a path without loss there."""
        yield from misfits_of_carrier(bench, settings.carrier.hz)
        if not 0 < abs(settings.offset.hz) <= bench.radio.bandwidth_hz / 2 / _REACH_OFFSETS:
            yield (
                "offset",
                f"the tone must be off the carrier, by at most {bench.radio.bandwidth_hz / 3e6:g} MHz: a "
                "third of the radio's bandwidth",
            )
        yield from misfits_of_band(bench, settings.channel, *_band(settings))

    def reads(self, settings: FrequencyErrorSettings, bench: Bench) -> Iterator[Band]:
        """The surroundings of carrier and tone."""
        low_hz, high_hz = _band(settings)
        pad_db = _state(settings, bench).pad_db
        yield Band(channel=settings.channel, low_hz=low_hz, high_hz=high_hz, pad_db=pad_db)

    def least_budget(
        self, name: str, settings: FrequencyErrorSettings, bench: Bench, nearest: float
    ) -> Budget | None:
        """The reference, and the axis of a narrow span."""
        tone_hz = settings.carrier.hz + settings.offset.hz
        budget = Least(bench, _state(settings, bench)).frequency(tone_hz)
        return budget if name == "frequency_error" else in_ppm(budget, tone_hz)

    def measure(self, session: Session, settings: FrequencyErrorSettings) -> Iterator[Measured]:
        """Find the tone, then read its centre in a span of four narrow filter widths."""
        for setting, sentence in self.misfits(settings, session.bench):
            raise MeasurementError(
                f"frequency_error: {setting}: {sentence}", next_step="choose another value"
            )
        state = _state(settings, session.bench)
        prepare_analyser(session)
        check_pad(session, settings.channel, state.pad_db)
        session.select(settings.channel)
        mute_others(session, settings.channel)
        references = References(session)
        session.rf(state)
        low_hz, high_hz = _band(settings)
        tone = ToneLines(
            Receiver(session, state), state, low_hz=low_hz, high_hz=high_hz, depth_dbc=_DEPTH_DBC
        )
        picture = tone.take((1, -1), strays=False)
        frequency_hz, sd_hz, trace, seen = tone.frequency()
        nominal_hz = tone.nominal_hz(1)
        budget = frequency_budget(session.bench, trace, frequency_hz=frequency_hz, sd_hz=sd_hz)
        error = Measured(
            name="frequency_error",
            value=frequency_hz - nominal_hz,
            note=f"{reference_note(session)}; statistical scatter {sd_hz:.2g} Hz",
            trace=trace,
            evidence=(*picture.evidence, *seen, references.check()),
            budget=budget,
        )
        for measured in (
            error,
            replace(
                error,
                name="frequency_error_ppm",
                value=error.value / nominal_hz * 1e6,
                trace=None,
                budget=in_ppm(budget, nominal_hz),
            ),
        ):
            yield with_evidence(measured, ())


def in_ppm(budget: Budget, frequency_hz: float) -> Budget:
    """Return the budget of a frequency error in Hz as that of the same error in ppm of ``frequency_hz``."""
    lines = (replace(line, sensitivity=line.sensitivity / frequency_hz * 1e6) for line in budget.lines)
    return replace(budget, unit="ppm", lines=tuple(lines))


def _band(settings: FrequencyErrorSettings) -> tuple[float, float]:
    reach_hz = _REACH_OFFSETS * abs(settings.offset.hz)
    return settings.carrier.hz - reach_hz, settings.carrier.hz + reach_hz


def _state(settings: FrequencyErrorSettings, bench: Bench) -> RfState:
    return RfState(
        channel=settings.channel,
        carrier_hz=settings.carrier.hz,
        attenuation_db=settings.attenuation.db,
        drive_dbfs=settings.drive.dbfs,
        tone_offset_hz=settings.offset.hz,
        pad_db=pad_for(
            bench,
            channel=settings.channel,
            carrier_hz=settings.carrier.hz,
            attenuation_db=settings.attenuation.db,
            pad=settings.pad,
        ),
    )
