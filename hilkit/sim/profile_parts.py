"""Parts that several kinds of simulated instrument share in their profiles."""

from __future__ import annotations

from hilkit.files import FileModel
from hilkit.quantities import Frequency, Ratio, RelativeDensity

__all__ = ["IdentityProfile", "SkirtProfile", "Table"]

Table = dict[Frequency, Ratio]
"""A ratio over frequency; linear in between, constant outside."""


class IdentityProfile(FileModel):
    """What the instrument answers to ``*IDN?``."""

    maker: str = "Lab"
    model: str
    serial: str
    firmware: str = "1.0"


class SkirtProfile(FileModel):
    """Phase noise on one side of a line: a plateau up to ``corner``, then 20 dB a decade down to ``far``."""

    density: RelativeDensity
    corner: Frequency
    far: RelativeDensity
