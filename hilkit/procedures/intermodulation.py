"""Two tones, the third-order products on both sides of them, the intercept, and the order behind them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from hilkit.analysis.intermodulation import output_intercept_dbm, slope_db_per_db
from hilkit.errors import MeasurementError
from hilkit.judgement import not_available
from hilkit.judgement.correlation import difference
from hilkit.procedures.budgets import scatter_line, with_unit
from hilkit.procedures.contract import Band, Exposure, Need, Procedure, Settings
from hilkit.procedures.evidence import References, attenuation_check, drift_check, floor_check
from hilkit.procedures.evidence.attenuation import COVER, with_check
from hilkit.procedures.evidence.hidden import hidden_check
from hilkit.procedures.evidence.look import Look
from hilkit.procedures.evidence.state import scatter_db
from hilkit.procedures.fields import Attenuation, Carrier, Channel, Pad
from hilkit.procedures.least import Least
from hilkit.procedures.lines import Line, ToneLines
from hilkit.procedures.receiver import Receiver, check_pad, mute_others, prepare_analyser, with_evidence
from hilkit.procedures.states import misfits_of_band, misfits_of_carrier, pad_for
from hilkit.quantities import Between, Frequency, FullScaleLevel, Ratio
from hilkit.readings import Bound, Budget, Evidence, Measured, ReadingSpec
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Session

__all__ = ["Intermodulation", "IntermodulationSettings"]

_DEFAULT_DEPTH_DBC = -60.0
_SWEEP_S = 12.0
_REACH = 6.0
_THIRD = 3.0
_ORDER_WITHIN = 0.3
_SIDES = {"lower": (-3, -1, 1), "upper": (3, 1, -1)}
"""Product, the tone next to it and the other one, in halves of the spacing from the middle of the tones."""


class IntermodulationSettings(Settings):
    """What the step can be told."""

    channel: Channel
    carrier: Carrier
    first: Annotated[Frequency, Field(description="offset of one tone from the carrier")]
    second: Annotated[Frequency, Field(description="offset of the other tone from the carrier")]
    attenuation: Attenuation
    drive: Annotated[
        FullScaleLevel,
        Between(low="-40 dBFS", high="-6 dBFS"),
        Field(description="level of each tone; at -6 dBFS both together peak at full scale"),
    ] = FullScaleLevel(-9.0)
    less_drive: Annotated[
        Ratio,
        Between(low="1 dB", high="10 dB"),
        Field(description="by how much both tones are lowered to see the order of the products"),
    ] = Ratio(3.0)
    pad: Pad = None
    resolve_down_to: Annotated[
        Annotated[Ratio, Between(low="-130 dBc", high="0 dBc")] | None,
        Field(
            description="lowest product, in dBc, that must be read as a value; left out, the lowest limit in "
            "dBc of the step, and -60 dBc without one"
        ),
    ] = None


def _spec(name: str, unit: str, meaning: str) -> ReadingSpec:
    return ReadingSpec(name=name, unit=unit, meaning=meaning)


class Intermodulation(Procedure[IntermodulationSettings]):
    """IM3 on both sides, OIP3, and its slope over drive."""

    name = "intermodulation"
    summary = "two tones: third-order products on both sides, output intercept, order over drive"
    settings_model = IntermodulationSettings
    readings = (
        _spec("tone_lower", "dBm", "level of the lower tone at the radio port"),
        _spec("tone_upper", "dBm", "level of the upper tone at the radio port"),
        _spec("im3_lower", "dBc", "third-order product below the tones, against the tone next to it"),
        _spec("im3_upper", "dBc", "third-order product above the tones, against the tone next to it"),
        _spec("oip3_lower", "dBm", "output intercept of third order, from the product below"),
        _spec("oip3_upper", "dBm", "output intercept of third order, from the product above"),
        _spec(
            "slope_lower", "1", "dB by which the product below follows 1 dB of the tones; 3 for third order"
        ),
        _spec(
            "slope_upper", "1", "dB by which the product above follows 1 dB of the tones; 3 for third order"
        ),
    )
    needs = (
        Need(instrument_class="signal_analyser"),
        Need(instrument_class="radio", capabilities=("two_tones",)),
    )
    establishes_state = False

    def envelope(self, settings: IntermodulationSettings, bench: Bench) -> Iterable[Exposure]:
        """Both tones at their level, then with less drive."""
        state = _state(settings, bench)
        return (
            Exposure(state=state, expected_s=_SWEEP_S),
            Exposure(state=_lower(state, settings), expected_s=_SWEEP_S / 2),
        )

    def misfits(self, settings: IntermodulationSettings, bench: Bench) -> Iterator[tuple[str, str]]:
        """Refuse tones at one place, at the carrier, or whose products leave the band or hit other lines."""
        yield from misfits_of_carrier(bench, settings.carrier.hz)
        yield from _misfits_of_tones(settings, bench.radio.bandwidth_hz)
        yield from misfits_of_band(bench, settings.channel, *_band(settings))

    def reads(self, settings: IntermodulationSettings, bench: Bench) -> Iterator[Band]:
        """The band with both tones and their products."""
        low_hz, high_hz = _band(settings)
        pad_db = _state(settings, bench).pad_db
        yield Band(channel=settings.channel, low_hz=low_hz, high_hz=high_hz, pad_db=pad_db)

    def least_budget(
        self, name: str, settings: IntermodulationSettings, bench: Bench, nearest: float
    ) -> Budget | None:
        """Everything but the noise and what the analyser's own products leave."""
        least = Least(bench, _state(settings, bench))
        low_hz, high_hz = sorted(settings.carrier.hz + each.hz for each in (settings.first, settings.second))
        tone_hz = low_hz if name.endswith("_lower") else high_hz
        if name.startswith("tone_"):
            return least.level(tone_hz)
        if name.startswith("im3_"):
            side = -1 if name.endswith("_lower") else 1
            return least.ratio(tone_hz + side * (high_hz - low_hz), tone_hz, nearest)
        return None

    def measure(self, session: Session, settings: IntermodulationSettings) -> Iterator[Measured]:
        """Read tones and products, prove the products the unit's, then read them with less drive."""
        for setting, sentence in self.misfits(settings, session.bench):
            raise MeasurementError(
                f"intermodulation: {setting}: {sentence}", next_step="choose another value"
            )
        state = _state(settings, session.bench)
        prepare_analyser(session)
        check_pad(session, settings.channel, state.pad_db)
        session.select(settings.channel)
        mute_others(session, settings.channel)
        session.radio.set_corrections(settings.channel, False)
        references = References(session)
        session.rf(state)
        low_hz, high_hz = _band(settings)
        depth_dbc = settings.resolve_down_to.db if settings.resolve_down_to else _DEFAULT_DEPTH_DBC
        tones = ToneLines(
            Receiver(session, state), state, low_hz=low_hz, high_hz=high_hz, depth_dbc=depth_dbc
        )
        picture = tones.take((1, -1, -3, 3), strays=False)
        lines = {multiple: _proven(tones, picture.lines[1], line) for multiple, line in picture.lines.items()}
        again = Look.like(tones).tone()
        drift = drift_check(
            again.port_dbm - lines[1].port_dbm,
            scatter_db(again.reading.sd_db, lines[1].reading.sd_db),
            what="the upper tone",
        )
        quiet = _lower(state, settings)
        session.rf(quiet)
        lower = _with_less(tones, quiet, lines)
        session.rf(state)
        common = (*picture.evidence, drift, references.check())
        for measured in _readings(lines, lower):
            yield with_evidence(measured, common)


def _proven(tones: ToneLines, reference: Line, line: Line) -> Line:
    """Return a product with the checks that show whose it is; a tone as it is."""
    if abs(line.multiple) == 1:
        return line
    name = f"the product {'below' if line.multiple < 0 else 'above'} the tones"
    reading = line.reading
    found = with_check(line, floor_check(reading.above_floor_db, reading.bound, line.trace, name=name))
    if reading.bound is Bound.UPPER:
        return hidden_check(tones, found, name)
    return attenuation_check(tones, reference, found, name)


def _with_less(tones: ToneLines, state: RfState, lines: Mapping[int, Line]) -> dict[int, Line]:
    """Read all lines with less drive, each through the attenuation at which it was read before."""
    found: dict[int, Line] = {}
    for multiple, line in lines.items():
        # Narrower than before: a product falls three times as far as the tones.
        look = Look.like(
            tones, state=state, attenuation_db=line.trace.attenuation_db, rbw_hz=line.trace.rbw_hz
        )
        tone = look.tone()
        found[multiple] = tone if multiple == 1 else look.line(multiple).against(tone)
    return found


def _readings(lines: Mapping[int, Line], lower: Mapping[int, Line]) -> Iterator[Measured]:
    for name, multiple in (("tone_lower", -1), ("tone_upper", 1)):
        line = lines[multiple]
        yield with_evidence(
            Measured(name=name, value=line.port_dbm, trace=line.trace, budget=line.budget), line.evidence
        )
    for side, (product, near, far) in _SIDES.items():
        yield from _side(
            side, (lines[product], lines[near], lines[far]), (lower[product], lower[near]), lines[1]
        )


def _side(
    side: str, lines: tuple[Line, Line, Line], lower: tuple[Line, Line], reference: Line
) -> Iterator[Measured]:
    product, near, far = lines
    relative_dbc = product.relative_dbc + reference.port_dbm - near.port_dbm
    is_bound = product.reading.bound is Bound.UPPER
    ratio = product.relative_budget
    yield with_evidence(
        Measured(
            name=f"im3_{side}",
            value=relative_dbc,
            bound=product.reading.bound,
            confidence=product.reading.confidence,
            trace=product.trace,
            budget=ratio,
        ),
        product.evidence,
    )
    slope, sd, order = _order(side, product, near, lower)
    intercept_dbm = output_intercept_dbm(near.port_dbm, far.port_dbm, near.port_dbm + relative_dbc)
    yield with_evidence(
        Measured(
            name=f"oip3_{side}",
            value=intercept_dbm,
            bound=Bound.LOWER if is_bound else Bound.EXACT,
            confidence=product.reading.confidence,
            note="" if slope is None else f"the product follows the tones with {slope:.2f} dB per dB",
            budget=None if ratio is None else _intercept_budget(near.budget, ratio),
        ),
        (*product.evidence, order),
    )
    if slope is not None:
        source = "noise of the four levels, over the change of the tones"
        line = scatter_line("noise", sd, unit="1", freedom=math.inf, source=source)
        yield with_evidence(
            Measured(name=f"slope_{side}", value=slope, budget=Budget(unit="1", lines=(line,))),
            product.evidence,
        )


def _order(
    side: str, product: Line, near: Line, lower: tuple[Line, Line]
) -> tuple[float | None, float, Evidence]:
    """Return the slope of a product over its tone, its standard deviation, and whether it is third order."""
    name, required = "order of the product", f"{_THIRD:g} +- {_ORDER_WITHIN:g} dB per dB"
    less, tone = lower
    if Bound.UPPER in (product.reading.bound, less.reading.bound):
        told = f"the product on the {side} side is lost in noise with less drive: its order was not seen"
        return None, 0.0, not_available(name, told, required=required)
    # Against the tone at the same attenuation, so that none of its errors counts.
    change_db = near.port_dbm - tone.port_dbm
    products = (less.relative_dbc - change_db, product.relative_dbc)
    slope = slope_db_per_db((-change_db, 0.0), products)
    sd = scatter_db(product.reading.sd_db, less.reading.sd_db, 2 * near.reading.sd_db, 2 * tone.reading.sd_db)
    sd /= abs(change_db)
    held = abs(slope - _THIRD) <= _ORDER_WITHIN + COVER * sd
    sentence = f"the product on the {side} side follows the tones with {slope:.2f} dB per dB"
    if not held:
        sentence += ": not third order alone, so that an intercept of third order means nothing"
    observed = f"{slope:.2f} dB per dB, standard uncertainty {sd:.2g}"
    return slope, sd, Evidence(name=name, held=held, observed=observed, required=required, sentence=sentence)


def _intercept_budget(near: Budget, ratio: Budget) -> Budget:
    """Return the budget of the tone less half of the product's ratio to it."""
    half = replace(
        ratio, lines=tuple(replace(line, sensitivity=line.sensitivity / 2) for line in ratio.lines)
    )
    budget = with_unit(difference(near, half, "dBm"), "dBm")
    assert budget is not None
    return budget


def _misfits_of_tones(settings: IntermodulationSettings, band_hz: float) -> Iterator[tuple[str, str]]:
    low_hz, high_hz = sorted((settings.first.hz, settings.second.hz))
    spacing_hz = high_hz - low_hz
    if spacing_hz <= 0:
        yield "second", f"both tones are at {settings.first}: no product has a place of its own"
        return
    reach = (low_hz - spacing_hz, high_hz + spacing_hz)
    if max(map(abs, reach)) > band_hz / 2:
        yield (
            "second",
            f"the products at {reach[0] / 1e6:g} and {reach[1] / 1e6:g} MHz from the carrier leave the band "
            f"of {band_hz / 1e6:g} MHz: put the tones closer together or nearer to the carrier",
        )
    lines = {
        "the lower product": reach[0],
        "a tone": low_hz,
        "another tone": high_hz,
        "the upper product": reach[1],
    }
    others = {
        "the carrier": 0.0,
        "the image of the lower tone": -low_hz,
        "the image of the upper tone": -high_hz,
    }
    for name, hz in lines.items():
        for other, at_hz in others.items():
            if abs(hz - at_hz) < spacing_hz / 4:
                yield (
                    "first",
                    f"{name} falls on {other}, {abs(hz - at_hz) / 1e3:g} kHz apart: put both tones on one "
                    "side of the carrier, further from it than one and a half spacings",
                )
                return


def _band(settings: IntermodulationSettings) -> tuple[float, float]:
    middle_hz = settings.carrier.hz + (settings.first.hz + settings.second.hz) / 2
    reach_hz = _REACH / 2 * abs(settings.second.hz - settings.first.hz)
    return middle_hz - reach_hz, middle_hz + reach_hz


def _lower(state: RfState, settings: IntermodulationSettings) -> RfState:
    return replace(state, drive_dbfs=state.drive_dbfs - settings.less_drive.db)


def _state(settings: IntermodulationSettings, bench: Bench) -> RfState:
    low, high = sorted((settings.first.hz, settings.second.hz))
    return RfState(
        channel=settings.channel,
        carrier_hz=settings.carrier.hz,
        attenuation_db=settings.attenuation.db,
        drive_dbfs=settings.drive.dbfs,
        tone_offset_hz=low,
        second_offset_hz=high,
        pad_db=pad_for(
            bench,
            channel=settings.channel,
            carrier_hz=settings.carrier.hz,
            attenuation_db=settings.attenuation.db,
            pad=settings.pad,
        ),
    )
