"""What accepting a bound risks at most: how far below it the quantity lies is open.

A bound of a level or ratio holds with its confidence c against noise: the power that was read, or none, plus
z standard deviations of the noise in power. These grow at most with the root of that power, so that z' of
them lie at most 20 lg(z'/z) dB above the bound. A limit d dB further off is then exceeded with a probability
of at most Q(z 10^(d/20)). A bound in another unit has 1 - c, however far its limit.

What else is in doubt, the path and the analyser's level, adds to that: the probability of one or the other is
at most the sum of both (Boole's inequality), however the distance is divided between them.
"""

from __future__ import annotations

import numpy as np

from hilkit.judgement.coverage import StudentSpread
from hilkit.judgement.uncertainty import Uncertainty
from hilkit.quantities import difference_unit
from hilkit.readings import Reading

__all__ = ["most_beyond"]

_NORMAL = StudentSpread()
_PARTS = 41


def most_beyond(reading: Reading, distance: float, found: Uncertainty | None) -> float | None:
    """Return the most that the probability can be that the quantity lies beyond a bound by ``distance``.

    ``distance`` is at or above 0, in the unit of the reading's differences; ``None`` for a bound that states
    no confidence, or lies on the wrong side already. Without an uncertainty noise alone counts.
    """
    if reading.confidence is None or distance < 0:
        return None
    doubt = 1 - reading.confidence
    in_db = difference_unit(reading.unit) == "dB"
    if found is None or found.standard == 0:
        return _noise(doubt, distance, in_db=in_db)
    ways = (
        _noise(doubt, share * distance, in_db=in_db) + 1 - found.probability_below((1 - share) * distance)
        for share in np.linspace(0.0, 1.0, _PARTS)
    )
    return min(1.0, *ways)


def _noise(doubt: float, distance_db: float, *, in_db: bool) -> float:
    if not in_db or doubt >= 0.5:
        return doubt
    z = -_NORMAL.quantile(doubt) if doubt > 0 else np.inf
    return float(_NORMAL.probability_below(-z * 10 ** (distance_db / 20)))
