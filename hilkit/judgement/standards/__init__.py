"""Published limits and channel tables as data, each with its document, version, clause and table."""

from hilkit.judgement.standards import nr, older
from hilkit.judgement.standards.catalogue import STANDARDS, published
from hilkit.judgement.standards.conditions import Conditions, Published
from hilkit.judgement.standards.emissions import Segment, emission_segments, spurious_segments
from hilkit.judgement.standards.source import FROM_MEMORY, Source, StandardMistake

__all__ = [
    "FROM_MEMORY",
    "STANDARDS",
    "Conditions",
    "Published",
    "Segment",
    "Source",
    "StandardMistake",
    "emission_segments",
    "nr",
    "older",
    "published",
    "spurious_segments",
]
