"""Where the products of an offset tone fall, and which mechanism puts power there.

A CW tone at the multiple +1 of its offset from the LO, x = exp(j t), goes through the modulator and the
amplifier. Written out for each imperfection (the same map comes out of an FFT of the signal itself):

- cubic on I and Q: cos^3 t = (3 cos t + cos 3t)/4 and sin^3 t = (3 sin t - sin 3t)/4, so a I^3 + j b Q^3 =
  3(a+b)/8 e^jt + 3(a-b)/8 e^-jt + (a-b)/8 e^j3t + (a+b)/8 e^-j3t. Equal cubics leave -3 alone; unequal ones
  add +3 and an image that no gain or phase imbalance explains.
- second order on I and Q: a cos^2 t + j b sin^2 t has parts at 0, +2 and -2.
- a DC offset d before the cubic: 3 d cos^2 t, again 0, +2 and -2.
- gain and phase imbalance adds the conjugate: +1 gives -1, and behind a cubic -3 gives +3.
- an amplifier adds |x|^2 x: a weak line at multiple w beside the tone gives one at 2 - w. Leakage (0) gives
  +2, the image (-1) gives +3, the line at -3 gives +5.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations

__all__ = [
    "LINES",
    "MECHANISMS",
    "Mechanism",
    "amplifier_partner",
    "collisions",
    "explained_by",
    "line_frequencies_hz",
    "line_frequency_hz",
    "off_band",
]


@dataclass(frozen=True, kw_only=True)
class Mechanism:
    """One imperfection and the multiples of the tone's offset at which it puts power."""

    name: str
    multiples: tuple[int, ...]
    sentence: str


MECHANISMS = (
    Mechanism(name="imbalance", multiples=(-1,), sentence="gain or phase imbalance of I against Q"),
    Mechanism(
        name="dc offset", multiples=(0,), sentence="DC offset on I or Q, or the LO leaking past the mixer"
    ),
    Mechanism(name="equal cubics", multiples=(-3,), sentence="third order on I and Q alike"),
    Mechanism(name="unequal cubics", multiples=(-3, 3, -1), sentence="third order on I and Q, not alike"),
    Mechanism(
        name="imbalance after the cubic", multiples=(3, -1), sentence="the line at -3 mirrored by imbalance"
    ),
    Mechanism(name="second order", multiples=(-2, 2, 0), sentence="second order on I or Q"),
    Mechanism(
        name="dc offset before the cubic", multiples=(-2, 2, 0), sentence="DC offset ahead of the third order"
    ),
    Mechanism(
        name="amplifier with leakage", multiples=(2,), sentence="amplifier mixing the tone with LO leakage"
    ),
    Mechanism(
        name="amplifier with image", multiples=(3,), sentence="amplifier mixing the tone with its image"
    ),
    Mechanism(
        name="amplifier with the line at -3", multiples=(5,), sentence="amplifier mixing the tone with -3"
    ),
)
"""The map: what puts power where, weak products of weak products left out."""

LINES: Mapping[int, str] = {
    1: "tone",
    0: "LO leakage",
    -1: "image",
    2: "second harmonic, same side",
    -2: "second harmonic, opposite side",
    -3: "third harmonic",
    3: "line at +3",
}
"""The lines that are read, by multiple of the tone's offset from the LO."""


def explained_by(multiple: int) -> tuple[Mechanism, ...]:
    """Return the mechanisms that put power at ``multiple``."""
    return tuple(mechanism for mechanism in MECHANISMS if multiple in mechanism.multiples)


def amplifier_partner(multiple: int) -> int:
    """Return where an amplifier's third order puts the partner of a weak line at ``multiple`` beside the
    tone."""
    return 2 - multiple


def line_frequency_hz(carrier_hz: float, offset_hz: float, multiple: int) -> float:
    """Return the frequency of one line; a negative ``offset_hz`` puts the tone below the carrier."""
    return carrier_hz + multiple * offset_hz


def line_frequencies_hz(
    carrier_hz: float, offset_hz: float, multiples: Iterable[int] = tuple(LINES)
) -> dict[int, float]:
    """Return ``{multiple: frequency}`` in hertz."""
    return {multiple: line_frequency_hz(carrier_hz, offset_hz, multiple) for multiple in multiples}


def collisions(lines_hz: Mapping[str, float], *, spacing_hz: float) -> list[tuple[str, str, float]]:
    """Return each pair of named lines nearer than ``spacing_hz``, with their distance in hertz, nearest
    first."""
    pairs = ((a, b, abs(lines_hz[a] - lines_hz[b])) for a, b in combinations(lines_hz, 2))
    return sorted((pair for pair in pairs if pair[2] < spacing_hz), key=lambda pair: pair[2])


def off_band(
    lines_hz: Mapping[str, float], *, low_hz: float, high_hz: float, guard_hz: float = 0.0
) -> list[str]:
    """Return the names of the lines outside ``low_hz``..``high_hz``, each needing ``guard_hz`` on both
    sides."""
    return [name for name, hz in lines_hz.items() if hz - guard_hz < low_hz or hz + guard_hz > high_hz]
