"""Published limits and channel tables as data, each with its document, version, clause and table."""

from hilkit.judgement.standards import nr, older
from hilkit.judgement.standards.source import FROM_MEMORY, Source, StandardMistake

__all__ = ["FROM_MEMORY", "Source", "StandardMistake", "nr", "older"]
