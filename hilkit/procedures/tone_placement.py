"""A CW tone at an offset from the LO, and every line that an imperfect transmitter makes of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from hilkit.analysis import LINES, settled_after
from hilkit.errors import MeasurementError
from hilkit.procedures.budgets import frequency_budget, time_budget, with_unit
from hilkit.procedures.contract import Band, Exposure, Need, Procedure, Settings
from hilkit.procedures.corrections import SETTLING_S, Convergence, Moment
from hilkit.procedures.evidence import References, checked
from hilkit.procedures.evidence.drive import LESS_DRIVE_DB
from hilkit.procedures.evidence.floor import floor_text
from hilkit.procedures.fields import Attenuation, Carrier, Channel, Deadline, Drive, Offset, Pad, Poll
from hilkit.procedures.least import Least, least_time, of_tone
from hilkit.procedures.lines import Line, Picture, ToneLines, is_bound, worst_of
from hilkit.procedures.receiver import (
    Receiver,
    check_pad,
    mute_others,
    prepare_analyser,
    reference_note,
    with_evidence,
)
from hilkit.procedures.states import (
    expected_port_dbm,
    misfits_of_band,
    misfits_of_carrier,
    misfits_of_offset,
    pad_for,
)
from hilkit.quantities import Between, Duration, Frequency, FullScaleLevel, Ratio
from hilkit.readings import Bound, Budget, Evidence, Measured, ReadingSpec
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["TonePlacement", "TonePlacementSettings"]

DEFAULT_DEPTH_DBC = -60.0
_PHASES = ("uncorrected", "corrected")
_PREDICTION_MARGIN_DB = 1.0
_SETTLED_WITHIN_DB = 3.0
_PHASE_S = 1.6


class TonePlacementSettings(Settings):
    """What the step can be told."""

    channel: Channel
    carrier: Carrier
    offset: Offset
    attenuation: Attenuation
    drive: Drive = FullScaleLevel(-6.0)
    pad: Pad = None
    resolve_down_to: Annotated[
        Annotated[Ratio, Between(low="-130 dBc", high="0 dBc")] | None,
        Field(
            description="lowest line, in dBc, that must be read as a value; left out, the lowest limit in "
            "dBc of the step, "
            "and -60 dBc without one. Filter and averages follow from it"
        ),
    ] = None
    analysed_band: Annotated[
        Frequency | None,
        Field(description="width around the carrier that is looked at; left out, the radio's bandwidth"),
    ] = None
    corrections: Annotated[
        bool, Field(description="switch the radio's corrections on and read everything again")
    ] = True
    corrections_deadline: Annotated[
        Deadline, Field(description="longest time for the corrections to settle")
    ] = Duration(60.0)
    poll: Annotated[Poll, Between(high="10 s")] = Duration(0.25)


def _two_phases(name: str, unit: str, meaning: str) -> ReadingSpec:
    return ReadingSpec(name=name, unit=unit, meaning=meaning, phases=_PHASES, final_phase="corrected")


def _against_time(name: str, meaning: str) -> ReadingSpec:
    return ReadingSpec(name=name, unit="dBc", meaning=meaning, series=True, index_name="time", index_unit="s")


class TonePlacement(Procedure[TonePlacementSettings]):
    """Tone, image, LO leakage, harmonics, before and after the radio's corrections."""

    name = "tone_placement"
    summary = "CW tone at an offset: level, image, LO leakage, harmonics, before and after the corrections"
    settings_model = TonePlacementSettings
    readings = (
        _two_phases("tone_level", "dBm", "level of the tone at the radio port"),
        _two_phases("tone_frequency_error", "Hz", "frequency of the tone less carrier and offset"),
        _two_phases("image", "dBc", "line at -1 times the offset"),
        _two_phases("lo_leakage", "dBc", "line at the carrier"),
        _two_phases("second_harmonic", "dBc", "higher of the lines at +2 and -2 times the offset"),
        _two_phases("third_harmonic", "dBc", "line at -3 times the offset"),
        _two_phases("plus_three", "dBc", "line at +3 times the offset"),
        _two_phases(
            "spurious_free_range", "dB", "distance from the tone to the highest other line in the band"
        ),
        _against_time("image_settling", "image while the corrections settle"),
        _against_time("lo_leakage_settling", "LO leakage while the corrections settle"),
        ReadingSpec(
            name="corrections_time",
            unit="s",
            meaning="time until the radio reports its corrections settled",
            by_radio=True,
        ),
        ReadingSpec(
            name="image_settled_after",
            unit="s",
            meaning=f"time from which the image stays within {_SETTLED_WITHIN_DB:g} dB of its last value",
        ),
    )
    needs = (Need(instrument_class="signal_analyser"), Need(instrument_class="radio", capabilities=("tone",)))
    establishes_state = False

    def envelope(self, settings: TonePlacementSettings, bench: Bench) -> Iterable[Exposure]:
        """The tone at its level; for its checks with less drive, and with RF off."""
        phases, settling_s = 1, 0.0
        if settings.corrections:
            phases, settling_s = 2, min(SETTLING_S, settings.corrections_deadline.s)
        state = _state(settings, bench)
        lower = replace(state, drive_dbfs=state.drive_dbfs - LESS_DRIVE_DB)
        return (
            Exposure(state=state, expected_s=phases * _PHASE_S + settling_s),
            Exposure(state=lower, expected_s=0.5),
            Exposure(state=replace(state, rf_on=False), expected_s=0.5),
        )

    def misfits(self, settings: TonePlacementSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse what cannot be tuned to, an offset whose lines collide or leave the band, a path without
        loss there."""
        yield from misfits_of_carrier(bench, settings.carrier.hz)
        low_hz, high_hz = _band(settings, bench)
        if settings.analysed_band and settings.analysed_band.hz > bench.radio.bandwidth_hz:
            yield (
                "analysed_band",
                (
                    f"{settings.analysed_band} is wider than the {bench.radio.bandwidth_hz / 1e6:g} MHz "
                    "that the radio can use"
                ),
            )
        yield from misfits_of_offset(settings.offset.hz, high_hz - low_hz)
        yield from misfits_of_band(bench, settings.channel, low_hz, high_hz)

    def reads(self, settings: TonePlacementSettings, bench: Bench) -> Iterator[Band]:
        """The band that is analysed, with all lines of the tone in it."""
        low_hz, high_hz = _band(settings, bench)
        pad_db = _state(settings, bench).pad_db
        yield Band(channel=settings.channel, low_hz=low_hz, high_hz=high_hz, pad_db=pad_db)

    def yields(self, settings: TonePlacementSettings) -> Iterator[tuple[str, str]]:
        """Everything with the corrections; without them what is read once, uncorrected."""
        for name, phase in super().yields(settings):
            if settings.corrections or phase == "uncorrected":
                yield name, phase

    def least_budget(
        self, name: str, settings: TonePlacementSettings, bench: Bench, nearest: float
    ) -> Budget | None:
        """Everything but the noise and what the analyser's own products leave."""
        if name in ("corrections_time", "image_settled_after"):
            return least_time(settings.poll.s)
        carrier_hz, offset_hz = settings.carrier.hz, settings.offset.hz
        least = Least(bench, _state(settings, bench))
        return of_tone(least, name, nearest, carrier_hz=carrier_hz, offset_hz=offset_hz)

    def measure(self, session: Session, settings: TonePlacementSettings) -> Iterator[Measured]:
        """Read all lines, switch the corrections on, watch them settle, read all lines again."""
        for setting, sentence in self.misfits(settings, session.bench):
            raise MeasurementError(f"tone_placement: {setting}: {sentence}", next_step="choose another value")
        state = _state(settings, session.bench)
        prepare_analyser(session)
        check_pad(session, settings.channel, state.pad_db)
        session.select(settings.channel)
        mute_others(session, settings.channel)
        session.radio.set_corrections(settings.channel, False)
        session.rf(state)
        low_hz, high_hz = _band(settings, session.bench)
        depth_dbc = settings.resolve_down_to.db if settings.resolve_down_to else DEFAULT_DEPTH_DBC
        tone = ToneLines(Receiver(session, state), state, low_hz=low_hz, high_hz=high_hz, depth_dbc=depth_dbc)
        yield from _phase(session, tone, "uncorrected", (), drive=not settings.corrections)
        if settings.corrections:
            yield from _corrected(session, tone, settings)


def _corrected(session: Session, tone: ToneLines, settings: TonePlacementSettings) -> Iterator[Measured]:
    convergence = Convergence(session, tone)
    moments: list[Moment] = []
    session.note("corrections on, waiting for them to settle")
    for moment in convergence.follow(deadline_s=settings.corrections_deadline.s, poll_s=settings.poll.s):
        moments.append(moment)
        for name, value, reading in (
            ("image", moment.image_dbc, moment.image),
            ("lo_leakage", moment.leakage_dbc, moment.leakage),
        ):
            yield Measured(
                name=f"{name}_settling",
                value=value,
                index=moment.time_s,
                bound=reading.bound,
                confidence=reading.confidence,
                evidence=moment.evidence[name],
                budget=moment.budgets[name],
            )
    yield convergence.reading("corrections_time")
    last = moments[-1].image_dbc
    entered = settled_after(
        [moment.time_s for moment in moments],
        [moment.image_dbc for moment in moments],
        target=last,
        tolerance=_SETTLED_WITHIN_DB,
    )
    if entered is not None:
        yield with_evidence(
            Measured(
                name="image_settled_after",
                value=entered,
                note=f"last value {last:.1f} dBc",
                budget=time_budget(convergence.resolution_s, "time between two looks"),
            ),
            (*(each for moment in moments for each in moment.evidence["image"]), convergence.evidence()),
        )
    yield from _phase(session, tone, "corrected", (convergence.evidence(),), drive=True)


def _phase(
    session: Session, tone: ToneLines, phase: str, evidence: tuple[Evidence, ...], *, drive: bool
) -> Iterator[Measured]:
    """Read everything once, check it, and yield it under ``phase``; a failed check goes with every
    reading."""
    references = References(session)
    picture = tone.take()
    frequency_hz, sd_hz, trace, seen = tone.frequency()
    picture = checked(tone, picture, references, drive=drive)
    common = (*picture.evidence, *evidence, _prediction(session, tone, picture.tone))
    note = _joined(reference_note(session), f"statistical scatter {sd_hz:.2g} Hz")
    error = Measured(
        name="tone_frequency_error",
        phase=phase,
        value=frequency_hz - tone.nominal_hz(1),
        note=_joined(picture.note, note),
        trace=trace,
        budget=frequency_budget(session.bench, trace, frequency_hz=frequency_hz, sd_hz=sd_hz),
    )
    yield with_evidence(error, (*common, *seen))
    for measured in (*_levels(picture, phase), _spurious_free(picture, phase)):
        yield with_evidence(measured, common)


def _levels(picture: Picture, phase: str) -> Iterator[Measured]:
    tone = picture.tone
    yield _measured("tone_level", tone, phase, picture.note, value=tone.port_dbm)
    for name, multiple in (("image", -1), ("lo_leakage", 0), ("third_harmonic", -3), ("plus_three", 3)):
        yield _measured(name, picture.lines[multiple], phase, picture.note)
    upper, lower = picture.lines[2], picture.lines[-2]
    higher = worst_of((upper, lower))
    both = f"+2: {_in_words(upper)}, -2: {_in_words(lower)}"
    yield _measured("second_harmonic", higher, phase, _joined(picture.note, both))


def _spurious_free(picture: Picture, phase: str) -> Measured:
    others = [line for multiple, line in picture.lines.items() if multiple != 1]
    if picture.stray is not None:
        others.append(picture.stray)
    highest = worst_of(others)
    what = (
        LINES[highest.multiple] if highest is not picture.stray else "a line that the tone does not explain"
    )
    found = Measured(
        name="spurious_free_range",
        phase=phase,
        value=-highest.relative_dbc,
        bound=Bound.LOWER if is_bound(highest) else Bound.EXACT,
        confidence=highest.reading.confidence,
        note=_joined(
            picture.note, f"the highest other line is {what} at {highest.frequency_hz / 1e6:.6f} MHz"
        ),
        trace=picture.overview,
        budget=with_unit(highest.relative_budget, "dB"),
    )
    return with_evidence(found, highest.evidence)


def _measured(name: str, line: Line, phase: str, note: str, *, value: float | None = None) -> Measured:
    reading = line.reading
    near = floor_text(reading.above_floor_db) if reading.bound is Bound.UPPER else ""
    return with_evidence(
        Measured(
            name=name,
            phase=phase,
            value=line.relative_dbc if value is None else value,
            bound=reading.bound,
            confidence=reading.confidence,
            note=_joined(note, near),
            trace=line.trace,
            budget=line.budget if line.relative_budget is None else line.relative_budget,
        ),
        line.evidence,
    )


def _in_words(line: Line) -> str:
    return f"{'at most ' if is_bound(line) else ''}{line.relative_dbc:.1f} dBc"


def _prediction(session: Session, tone: ToneLines, line: Line) -> Evidence:
    """Check that the tone is no higher than the bench file says the radio can give: the ratings rest on
    that."""
    most_dbm = expected_port_dbm(session.bench, tone.state) + _PREDICTION_MARGIN_DB
    held = line.port_dbm <= most_dbm
    return Evidence(
        name="predicted level",
        held=held,
        observed=f"{line.port_dbm:.2f} dBm at the radio port",
        required=f"at most {most_dbm:.2f} dBm",
        sentence="the level is within what the bench file predicts"
        if held
        else "the level is above what the bench file says the radio can give: the levels predicted at "
        "every node are too "
        "low; correct max_level or the path",
    )


def _band(settings: TonePlacementSettings, bench: Bench) -> tuple[float, float]:
    width_hz = settings.analysed_band.hz if settings.analysed_band else bench.radio.bandwidth_hz
    return settings.carrier.hz - width_hz / 2, settings.carrier.hz + width_hz / 2


def _state(settings: TonePlacementSettings, bench: Bench) -> RfState:
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


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)
