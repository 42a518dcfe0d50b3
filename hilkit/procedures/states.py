"""RF states that procedures command, and what they predict, computed from settings and bench alone."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from hilkit.analysis import LINES, collisions, line_frequencies_hz, off_band
from hilkit.errors import BenchError
from hilkit.quantities import Ratio
from hilkit.safety import RfState

if TYPE_CHECKING:
    from hilkit.bench import Bench

__all__ = [
    "LEAST_SPACING_OF_BAND",
    "MOST_INPUT_DBM",
    "expected_input_dbm",
    "expected_port_dbm",
    "highest_attenuation_db",
    "misfits_of_band",
    "misfits_of_carrier",
    "misfits_of_offset",
    "misfits_of_span",
    "pad_for",
]

LEAST_SPACING_OF_BAND = 1 / 200
"""Least distance between two lines as a part of the band: an overview of some thousand points must hold them
apart."""

MOST_INPUT_DBM = 0.0
"""Highest predicted level that is let to the analyser's input where a pad can lower it."""


def pad_for(
    bench: Bench, *, channel: int, carrier_hz: float, attenuation_db: float, pad: Ratio | None
) -> float:
    """Return the setting of the step attenuator in dB: as asked for, or from the predicted level; 0 without
    one.

    The level predicted is the radio's highest at this attenuation, full scale; so a lower drive never needs
    less pad.
    """
    path = bench.path(channel)
    if path.pad_instrument is None:
        return 0.0
    if pad is not None:
        return pad.db
    highest = bench.radio.max_level_dbm - attenuation_db - path.loss_db(carrier_hz)
    return float(max(0, math.ceil(highest - MOST_INPUT_DBM - 1e-9)))


def highest_attenuation_db(bench: Bench) -> float:
    """Return the highest transmit attenuation in dB, from the radio's driver file."""
    highest = bench.radio_spec.dialect.capabilities["attenuation"].limits.maximum
    if highest is None:
        raise BenchError(f"driver {bench.radio_spec.driver} gives no range of the transmit attenuation")
    return highest


def expected_port_dbm(bench: Bench, state: RfState) -> float:
    """Return the highest level expected at the radio port.

    The drive counts for a tone, twice for two; the peaks of a modulated stream reach far above its mean, so
    full scale is expected.
    """
    drive_db = 0.0 if state.tone_offset_hz is None else min(0.0, state.drive_dbfs)
    if state.second_offset_hz is not None:
        drive_db += 10 * math.log10(2)
    return bench.radio.max_level_dbm - state.attenuation_db + drive_db


def expected_input_dbm(bench: Bench, state: RfState) -> float:
    """Return the highest level expected at the analyser; see ``expected_port_dbm``."""
    loss_db = bench.path(state.channel).loss_db(state.carrier_hz, pad_db=state.pad_db)
    return expected_port_dbm(bench, state) - loss_db


def misfits_of_carrier(
    bench: Bench, carrier_hz: float, setting: str = "carrier"
) -> Iterator[tuple[str, str]]:
    """Yield a sentence if the radio may not be tuned to ``carrier_hz``."""
    if not bench.radio.carrier_allowed(carrier_hz):
        yield (
            setting,
            (
                f"the radio of {bench.name} cannot be tuned to {carrier_hz / 1e6:.6g} MHz; allowed: "
                f"{bench.radio.bands_text}"
            ),
        )


def misfits_of_band(
    bench: Bench, channel: int, low_hz: float, high_hz: float, setting: str = "carrier"
) -> Iterator[tuple[str, str]]:
    """Yield a sentence if the path of ``channel`` has no loss somewhere between the two frequencies."""
    low, high = bench.path(channel).coverage_hz
    if low_hz < low or high_hz > high:
        yield (
            setting,
            (
                f"{low_hz / 1e6:.6g} to {high_hz / 1e6:.6g} MHz is to be read, but the loss of path "
                f"{bench.path(channel).name} is known from {low / 1e6:.6g} to {high / 1e6:.6g} MHz only"
            ),
        )


def misfits_of_span(bench: Bench, span_hz: float, setting: str) -> Iterator[tuple[str, str]]:
    """Yield a sentence if the analyser cannot sweep a span of ``span_hz``, by its driver file."""
    for spec in bench.of_class("signal_analyser"):
        span = spec.dialect.capabilities.get("span")
        if span is not None and not span.limits.hold(span_hz):
            yield (
                setting,
                f"a span of {span.shown(span_hz)} is to be swept; the driver {spec.driver} of {spec.name} "
                f"allows {span.allowed()}",
            )


def misfits_of_offset(offset_hz: float, band_hz: float) -> Iterator[tuple[str, str]]:
    """Yield a sentence where lines of a tone at ``offset_hz`` collide, or leave the band around the
    carrier."""
    lines = {LINES[m]: hz for m, hz in line_frequencies_hz(0.0, offset_hz).items()}
    spacing_hz = band_hz * LEAST_SPACING_OF_BAND
    pairs = collisions(lines, spacing_hz=spacing_hz)
    if pairs:
        first, second, apart_hz = pairs[0]
        yield (
            "offset",
            (
                f"{first} and {second} fall {apart_hz / 1e3:g} kHz apart; at least {spacing_hz / 1e3:g} "
                "kHz are needed to "
                f"tell them apart in a band of {band_hz / 1e6:g} MHz: use a larger offset"
            ),
        )
    outside = off_band(lines, low_hz=-band_hz / 2, high_hz=band_hz / 2)
    if outside:
        yield (
            "offset",
            (
                f"{', '.join(outside)} would leave the band of {band_hz / 1e6:g} MHz around the carrier: "
                "use an offset of at "
                f"most {band_hz / 6 / 1e6:g} MHz"
            ),
        )
