"""Another carrier without losing the unit: down, retune, lock, calibrate, up; then proof that it worked."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from hilkit.analysis import collisions, line_frequencies_hz
from hilkit.errors import BenchError, MeasurementError
from hilkit.procedures.budgets import frequency_budget, ratio_budget
from hilkit.procedures.contract import Band, Exposure, Need, Procedure, Settings
from hilkit.procedures.corrections import SETTLING_S, Convergence
from hilkit.procedures.evidence import References, checked
from hilkit.procedures.fields import Attenuation, Carrier, Channel, Deadline, Drive, Offset, Pad, Poll
from hilkit.procedures.least import Least, least_time, of_tone
from hilkit.procedures.lines import Line, Picture, ToneLines, is_bound, worst_of
from hilkit.procedures.moving import Unit, move, way
from hilkit.procedures.receiver import (
    Receiver,
    check_pad,
    mute_others,
    prepare_analyser,
    reference_note,
    with_evidence,
)
from hilkit.procedures.states import (
    LEAST_SPACING_OF_BAND,
    highest_attenuation_db,
    misfits_of_band,
    misfits_of_carrier,
    misfits_of_offset,
    pad_for,
)
from hilkit.quantities import Between, Duration, Frequency, FullScaleLevel, Ratio
from hilkit.readings import Budget, Evidence, Measured, ReadingSpec
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["Retune", "RetuneSettings"]

_PHASES = ("uncorrected", "corrected")
_DEFAULT_DEPTH_DBC = -60.0
_READ_S = 0.7
_EACH_STATE_S = 0.1
_PROOF_S = 2.0


class RetuneSettings(Settings):
    """What the step can be told."""

    channel: Channel
    carrier: Annotated[Carrier, Field(description="carrier to come from")]
    to: Annotated[Frequency, Between(above="0 Hz"), Field(description="carrier to go to")]
    offset: Offset
    attenuation: Attenuation
    drive: Drive = FullScaleLevel(-6.0)
    pad: Pad = None
    recalibrate: Annotated[
        bool,
        Field(
            description="run the initial calibration at the new carrier; without it the image shows what "
            "it does"
        ),
    ] = True
    resolve_down_to: Annotated[
        Annotated[Ratio, Between(low="-130 dBc", high="0 dBc")] | None,
        Field(
            description="lowest line, in dBc, that must be read as a value; left out, the lowest limit in "
            "dBc, or -60 dBc"
        ),
    ] = None
    ramp_step: Annotated[
        Ratio, Between(low="0.5 dB"), Field(description="largest step of attenuation on the way up")
    ] = Ratio(6.0)
    lock_deadline: Deadline = Duration(10.0)
    calibration_deadline: Deadline = Duration(60.0)
    ready_deadline: Deadline = Duration(10.0)
    corrections_deadline: Deadline = Duration(60.0)
    poll: Poll = Duration(0.05)


def _phases(name: str, meaning: str) -> ReadingSpec:
    return ReadingSpec(name=name, unit="dBc", meaning=meaning, phases=_PHASES, final_phase="corrected")


class Retune(Procedure[RetuneSettings]):
    """Level down, stream stopped, LO moved and restarted, calibration, stream on, level up; then the
    proof."""

    name = "retune"
    summary = "move to another carrier and prove level, frequency, image, quiet old frequency and no reset"
    settings_model = RetuneSettings
    readings = (
        ReadingSpec(
            name="lock_time",
            unit="s",
            meaning="time from the restart of the synthesiser until it is locked",
            by_radio=True,
        ),
        ReadingSpec(
            name="calibration_time",
            unit="s",
            meaning="duration of the initial calibration at the new carrier",
            by_radio=True,
        ),
        ReadingSpec(
            name="ready_after",
            unit="s",
            meaning="time from the first command until the tone stands at its new place",
        ),
        ReadingSpec(
            name="carrier_error", unit="Hz", meaning="frequency of the tone less offset and new carrier"
        ),
        ReadingSpec(
            name="level_change", unit="dB", meaning="level of the tone at the radio port, new less old"
        ),
        ReadingSpec(
            name="old_frequency_level",
            unit="dBc",
            meaning="higher of what is left at the old carrier and at the old tone",
        ),
        _phases("image", "line at -1 times the offset, at the new carrier"),
        _phases("lo_leakage", "line at the new carrier"),
        ReadingSpec(
            name="corrections_time",
            unit="s",
            meaning="time until the radio reports its corrections settled",
            by_radio=True,
        ),
        ReadingSpec(
            name="resets", unit="1", meaning="how often the radio restarted in between", by_radio=True
        ),
    )
    needs = (
        Need(instrument_class="signal_analyser"),
        Need(instrument_class="radio", capabilities=("tone", "synthesiser_restart", "calibrate")),
    )
    establishes_state = True

    def envelope(self, settings: RetuneSettings, bench: Bench) -> Iterable[Exposure]:
        """The tone at the old carrier, the way over highest attenuation and RF off, the way up at the new.

        For the checks of its lines RF is off once more at the new one.
        """
        highest_db = highest_attenuation_db(bench)
        old, new = (_state(settings, bench, hz) for hz in (settings.carrier.hz, settings.to.hz))
        yield Exposure(state=old, expected_s=_READ_S)
        for state in way(old, new, highest_db=highest_db, ramp_step_db=settings.ramp_step.db):
            yield Exposure(state=state, expected_s=_EACH_STATE_S)
        settling_s = min(SETTLING_S, settings.corrections_deadline.s)
        yield Exposure(state=new, expected_s=_PROOF_S + settling_s)
        yield Exposure(state=replace(new, rf_on=False), expected_s=_EACH_STATE_S)

    def misfits(self, settings: RetuneSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse carriers that cannot be tuned to, and a move after which old and new lines cannot be told
        apart."""
        yield from misfits_of_carrier(bench, settings.carrier.hz)
        yield from misfits_of_carrier(bench, settings.to.hz, "to")
        band_hz = bench.radio.bandwidth_hz
        yield from misfits_of_offset(settings.offset.hz, band_hz)
        yield from _misfits_of_move(settings, band_hz * LEAST_SPACING_OF_BAND)
        for name, hz in (("carrier", settings.carrier.hz), ("to", settings.to.hz)):
            yield from misfits_of_band(bench, settings.channel, hz - band_hz / 2, hz + band_hz / 2, name)

    def reads(self, settings: RetuneSettings, bench: Bench) -> Iterator[Band]:
        """The radio's bandwidth around both carriers."""
        half_hz = bench.radio.bandwidth_hz / 2
        for hz in (settings.carrier.hz, settings.to.hz):
            pad_db = _state(settings, bench, hz).pad_db
            yield Band(channel=settings.channel, low_hz=hz - half_hz, high_hz=hz + half_hz, pad_db=pad_db)

    def yields(self, settings: RetuneSettings) -> Iterator[tuple[str, str]]:
        """Everything, but no time of a calibration that is not run."""
        for name, phase in super().yields(settings):
            if settings.recalibrate or name != "calibration_time":
                yield name, phase

    def least_budget(
        self, name: str, settings: RetuneSettings, bench: Bench, nearest: float
    ) -> Budget | None:
        """Everything but the noise and what the analyser's own products leave."""
        if name in ("lock_time", "calibration_time", "ready_after", "corrections_time"):
            return least_time(settings.poll.s)
        old, new = (
            Least(bench, _state(settings, bench, hz), near_hz=_near_hz(settings, bench, hz))
            for hz in (settings.carrier.hz, settings.to.hz)
        )
        to_hz, offset_hz = settings.to.hz, settings.offset.hz
        if name == "level_change":
            return new.change(to_hz + offset_hz, old, settings.carrier.hz + offset_hz)
        if name == "old_frequency_level":
            return new.ratio(settings.carrier.hz, to_hz + offset_hz, nearest)
        return of_tone(new, name, nearest, carrier_hz=to_hz, offset_hz=offset_hz)

    def measure(self, session: Session, settings: RetuneSettings) -> Iterator[Measured]:
        """Read the level, move, and prove."""
        for setting, sentence in self.misfits(settings, session.bench):
            raise MeasurementError(f"retune: {setting}: {sentence}", next_step="choose another value")
        prepare_analyser(session)
        check_pad(session, settings.channel, _state(settings, session.bench, settings.to.hz).pad_db)
        session.select(settings.channel)
        mute_others(session, settings.channel)
        session.radio.set_corrections(settings.channel, False)
        unit = Unit(session)
        try:
            yield from _whole(session, settings)
        except BenchError:
            # A unit that restarted explains whatever went wrong; nothing that was known of it holds any more.
            with suppress(BenchError), session.brief_on_a_dead_radio():
                resets = unit.resets()
                if resets.value > 0:
                    session.forget()
                    yield resets
            raise
        yield unit.resets()


def _whole(session: Session, settings: RetuneSettings) -> Iterator[Measured]:
    references = References(session)
    old = _tone(session, settings, settings.carrier.hz)
    session.rf(old.state)
    before = old.take((1, -1), strays=False)
    new = _tone(session, settings, settings.to.hz)
    yield from move(session, settings, old.state, new)
    yield from _prove(session, settings, before, new, references)


def _prove(
    session: Session, settings: RetuneSettings, before: Picture, new: ToneLines, references: References
) -> Iterator[Measured]:
    picture = new.take((1, -1, 0), strays=False)
    frequency_hz, sd_hz, trace, seen = new.frequency()
    error = Measured(
        name="carrier_error",
        value=frequency_hz - new.nominal_hz(1),
        note=f"{reference_note(session)}; statistical scatter {sd_hz:.2g} Hz",
        trace=trace,
        budget=frequency_budget(session.bench, trace, frequency_hz=frequency_hz, sd_hz=sd_hz),
    )
    held = references.check()
    yield with_evidence(error, (*picture.evidence, *seen, held))
    change = Measured(
        name="level_change",
        value=picture.tone.port_dbm - before.tone.port_dbm,
        budget=ratio_budget(picture.tone.budget, before.tone.budget, "dB"),
    )
    yield with_evidence(change, (*before.evidence, *picture.evidence, held))
    left = _left_behind(settings, picture, new)
    yield with_evidence(left, (references.check(),))
    yield from _image_and_leakage(checked(new, picture, references), "uncorrected", ())
    convergence = Convergence(session, new)
    session.note("corrections on, waiting for them to settle")
    for _ in convergence.follow(deadline_s=settings.corrections_deadline.s, poll_s=settings.poll.s):
        pass
    yield convergence.reading("corrections_time")
    last = checked(new, new.take((1, -1, 0), strays=False), references)
    yield from _image_and_leakage(last, "corrected", (convergence.evidence(),))


def _left_behind(settings: RetuneSettings, picture: Picture, new: ToneLines) -> Measured:
    old_hz = {"carrier": settings.carrier.hz, "tone": settings.carrier.hz + settings.offset.hz}
    left = {name: new.read_at(hz, picture.tone) for name, hz in old_hz.items()}
    higher = worst_of(left.values())
    name = next(name for name, line in left.items() if line is higher)
    return _measured("old_frequency_level", higher, "", f"the higher is at the old {name}")


def _image_and_leakage(picture: Picture, phase: str, evidence: tuple[Evidence, ...]) -> Iterator[Measured]:
    for name, multiple in (("image", -1), ("lo_leakage", 0)):
        measured = _measured(name, picture.lines[multiple], phase, picture.note)
        yield with_evidence(measured, (*picture.evidence, *evidence))


def _measured(name: str, line: Line, phase: str, note: str) -> Measured:
    return Measured(
        name=name,
        phase=phase,
        value=line.relative_dbc,
        bound=line.reading.bound,
        confidence=line.reading.confidence if is_bound(line) else None,
        note=note,
        trace=line.trace,
        evidence=line.evidence,
        budget=line.relative_budget,
    )


def _near_hz(settings: RetuneSettings, bench: Bench, carrier_hz: float) -> float:
    """Return the middle of the frequencies over which the path's errors count as one and the same.

    Within the radio's bandwidth they are the same for both carriers and cancel in the change of level;
    further away they are another matter (common practice, no source).
    """
    far = abs(settings.to.hz - settings.carrier.hz) > bench.radio.bandwidth_hz
    return carrier_hz if far else settings.carrier.hz


def _tone(session: Session, settings: RetuneSettings, carrier_hz: float) -> ToneLines:
    state = _state(settings, session.bench, carrier_hz)
    # One range of the analyser for both carriers: the error between two would pass for a change of level.
    both = [_state(settings, session.bench, hz) for hz in (settings.carrier.hz, settings.to.hz)]
    near_hz = _near_hz(settings, session.bench, carrier_hz)
    half_hz = session.bench.radio.bandwidth_hz / 2
    depth_dbc = settings.resolve_down_to.db if settings.resolve_down_to else _DEFAULT_DEPTH_DBC
    return ToneLines(
        Receiver(session, state, near_hz=near_hz, also=both),
        state,
        low_hz=carrier_hz - half_hz,
        high_hz=carrier_hz + half_hz,
        depth_dbc=depth_dbc,
    )


def _misfits_of_move(settings: RetuneSettings, spacing_hz: float) -> Iterator[tuple[str, str]]:
    carrier_hz, to_hz = settings.carrier.hz, settings.to.hz
    if abs(carrier_hz - to_hz) < 1.0:
        yield "to", f"{settings.to} is where the carrier is already"
        return
    new = {f"the new line at {m:+d}": hz for m, hz in line_frequencies_hz(to_hz, settings.offset.hz).items()}
    old = {"the old carrier": carrier_hz, "the old tone": carrier_hz + settings.offset.hz}
    for first, second, apart_hz in collisions({**new, **old}, spacing_hz=spacing_hz):
        if {first, second} & set(old):
            yield (
                "to",
                (
                    f"{first} and {second} would fall {apart_hz / 1e3:g} kHz apart, so that nobody could "
                    "tell whether the old "
                    "frequency is quiet: use another offset or carrier"
                ),
            )
            return


def _state(settings: RetuneSettings, bench: Bench, carrier_hz: float) -> RfState:
    # One pad setting for both carriers: its step error would pass for a change of the radio's level.
    pads = [
        pad_for(
            bench,
            channel=settings.channel,
            carrier_hz=hz,
            attenuation_db=settings.attenuation.db,
            pad=settings.pad,
        )
        for hz in (settings.carrier.hz, settings.to.hz)
    ]
    return RfState(
        channel=settings.channel,
        carrier_hz=carrier_hz,
        attenuation_db=settings.attenuation.db,
        drive_dbfs=settings.drive.dbfs,
        tone_offset_hz=settings.offset.hz,
        pad_db=max(pads),
    )
