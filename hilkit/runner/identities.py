"""Who answered on the bench: kept in the record, and compared when a run goes on with an earlier one."""

from __future__ import annotations

from collections.abc import Iterator

from hilkit.bench import Connected
from hilkit.record import StoredRun
from hilkit.runner.resume import changed

__all__ = ["connected_facts", "refuse_changed_identities"]


def connected_facts(connected: Connected) -> Iterator[tuple[str, str]]:
    """Yield the identity of every instrument and of the radio, for the record."""
    for name, instrument in connected.instruments.items():
        yield name, str(instrument.identity())
    yield connected.bench.radio_spec.name, str(connected.radio.identity())


def refuse_changed_identities(connected: Connected, source: StoredRun) -> None:
    """Raise ``UsageError`` where another unit or instrument answers than in the earlier run."""
    known = dict(source.facts)
    told = [
        f"{name} was {known[name]} and is {text}"
        for name, text in connected_facts(connected)
        if name in known and known[name] != text
    ]
    if told:
        raise changed(source.folder, told)
