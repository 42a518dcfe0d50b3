"""The kinds of self-check, and what one that could not be made means for the verdict.

A check that failed makes a reading inconclusive, whatever its number: that needs no table. A check that could
not be made is another matter for each kind: where something else still keeps the reading honest the verdict
stands and says what was not checked; where nothing else does, the reading is inconclusive.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from hilkit.readings import Evidence, Reading

__all__ = ["SELF_CHECKS", "Doubts", "SelfCheck", "doubts", "not_available"]


@dataclass(frozen=True, kw_only=True)
class SelfCheck:
    """One kind of check: what it proves when it holds, and whether a verdict may stand without it.

    ``needed_for`` lists units whose readings are inconclusive without the check although others are not.
    ``of_the_unit`` marks a check that speaks of the radio and not of how it was measured: where it failed, a
    limit that was missed stays missed.
    """

    name: str
    proves: str
    needed: bool
    why: str
    needed_for: tuple[str, ...] = ()
    of_the_unit: bool = False

    def needed_by(self, unit: str) -> bool:
        """Return whether a reading in ``unit`` is inconclusive where this check could not be made."""
        return self.needed or unit in self.needed_for

    @property
    def without(self) -> str:
        """What a verdict is where the check could not be made."""
        if self.needed:
            return "inconc"
        return f"inconc in {', '.join(self.needed_for)}, else stands" if self.needed_for else "stands"


_KINDS = (
    SelfCheck(
        name="overload",
        proves="mixer and IF of the analyser are inside their range",
        needed=False,
        why="the range is set from the predicted level, and that prediction is a check of its own",
    ),
    SelfCheck(
        name="calibrated sweep",
        proves="the sweep is slow enough for its filter",
        needed=False,
        why="every sweep is set eight times slower than a filter needs",
    ),
    SelfCheck(
        name="reference lock",
        proves="the analyser runs on the reference that it was set to, at every sweep",
        needed=False,
        needed_for=("Hz",),
        why="a level does not depend on it, a frequency is nothing without it",
    ),
    SelfCheck(
        name="reference held",
        proves="analyser and radio kept their references from the first sweep to the last",
        needed=False,
        needed_for=("Hz",),
        why="as for the lock at every sweep",
    ),
    SelfCheck(
        name="sideband",
        proves="the tone stands on its side of the carrier",
        needed=True,
        why="with I and Q swapped every line is another one",
        of_the_unit=True,
    ),
    SelfCheck(
        name="predicted level",
        proves="the tone is no higher than the bench file says the radio can give",
        needed=True,
        why="the ratings and the analyser's range rest on it",
        of_the_unit=True,
    ),
    SelfCheck(
        name="distance to the floor",
        proves="the noise was measured with the line and taken off in power, or the reading is a bound",
        needed=False,
        why="a reading nearer than 10 dB is a bound already, and is judged as one",
    ),
    SelfCheck(
        name="more attenuation",
        proves="a product of two lines or more is not made in the analyser",
        needed=True,
        why="the analyser's own product may add to the unit's or hide it, and nothing else shows which",
    ),
    SelfCheck(
        name="more attenuation, deep line",
        proves="the same, where the line lies 10 dB or more under the lowest one that matters",
        needed=False,
        why="to hide a product that matters the analyser's would have to match it to a third, and in phase",
    ),
    SelfCheck(
        name="less drive",
        proves="nothing: it tells which order of curvature makes the third harmonic",
        needed=False,
        why="it classifies a line and decides nothing",
    ),
    SelfCheck(
        name="order of the product",
        proves="an intermodulation product follows the tones as third order: an intercept means something",
        needed=False,
        why="where noise hides the product at less drive its level stands, and the intercept is a bound",
        of_the_unit=True,
    ),
    SelfCheck(
        name="small-signal line",
        proves="the points taken for the line of small signals follow a slope of 1 dB per dB",
        needed=True,
        why="a line through points that are compressed already puts the 1 dB point too high",
        of_the_unit=True,
    ),
    SelfCheck(
        name="no line in the noise",
        proves="what was read as a noise density holds no spectral line",
        needed=True,
        why="a line is no density, and would be spread over every hertz",
    ),
    SelfCheck(
        name="centre moved",
        proves="image and leakage stay where they are when the analyser is tuned elsewhere",
        needed=False,
        why="few analysers have responses that move along, and the repetition shows an unsteady line",
    ),
    SelfCheck(
        name="RF off",
        proves="image and leakage go when RF goes: they are no residual line of the analyser",
        needed=False,
        why="what noise leaves open is told, and the most that it can be is in the budget",
    ),
    SelfCheck(
        name="settled",
        proves="a line read again agrees with its first reading within their scatter",
        needed=True,
        why="a number that nobody could repeat is not a number",
    ),
    SelfCheck(
        name="drift",
        proves="the level read first came back at the end",
        needed=True,
        why="a ratio of two lines assumes that the level stood still between them",
    ),
    SelfCheck(
        name="corrections settled",
        proves="the radio's corrections had converged when the lines were read",
        needed=True,
        why="an image on its way down says nothing about where it ends",
        of_the_unit=True,
    ),
)

SELF_CHECKS: Mapping[str, SelfCheck] = MappingProxyType({kind.name: kind for kind in _KINDS})
"""Every kind of check by the name that its evidence bears."""


@dataclass(frozen=True, kw_only=True)
class Doubts:
    """What a reading's own checks say against it, a sentence or more each, empty where there is nothing.

    ``of_the_unit`` and ``of_the_measurement`` are checks that failed, ``unproven`` are needed ones that could
    not be made, ``unchecked`` those that a verdict can do without.
    """

    of_the_unit: str
    of_the_measurement: str
    unproven: str
    unchecked: str

    @property
    def failed(self) -> str:
        """Everything that failed."""
        return "; ".join(filter(None, (self.of_the_measurement, self.of_the_unit)))


def doubts(reading: Reading) -> Doubts:
    """Return what a reading's own checks say against it.

    A check under a name that is not in the table, of a procedure added from outside, is one of the
    measurement, and is not needed.
    """
    unit: list[str] = []
    measurement: list[str] = []
    unproven: list[str] = []
    unchecked: list[str] = []
    for each in reading.evidence:
        kind = SELF_CHECKS.get(each.name)
        if each.held is False:
            (unit if kind is not None and kind.of_the_unit else measurement).append(each.sentence)
        elif each.held is None:
            needed = kind is not None and kind.needed_by(reading.unit)
            (unproven if needed else unchecked).append(each.sentence)
    return Doubts(
        of_the_unit=_told(unit),
        of_the_measurement=_told(measurement),
        unproven=_told(unproven),
        unchecked=_told(unchecked),
    )


def _told(sentences: list[str]) -> str:
    return "; ".join(dict.fromkeys(sentences))


def not_available(name: str, sentence: str, *, required: str) -> Evidence:
    """Return the evidence of a check that could not be made; ``sentence`` says why."""
    return Evidence(name=name, held=None, observed="not available", required=required, sentence=sentence)
