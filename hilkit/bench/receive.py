"""Receive paths of a bench: what leads from generators and noise sources to a receive port of the radio."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilkit.bench.accuracy import figure_of
from hilkit.bench.loss_entries import table_loss
from hilkit.bench.model import ElementEntry, ReceiveInputEntry, ReceivePathEntry
from hilkit.bench.path import Element, Path
from hilkit.files.notes import Notes, did_you_mean, listed

if TYPE_CHECKING:
    from hilkit.bench.spec import InstrumentSpec

__all__ = ["ReceivePath", "read_receive_paths"]

SOURCES = ("signal_generator", "noise_source")


@dataclass(frozen=True, kw_only=True)
class ReceivePath:
    """A receive port with the path from each source to it; ``shares`` is the channel that sends there."""

    name: str
    channel: int
    port: str
    shares: int | None
    inputs: Mapping[str, Path]

    def loss_db(self, source: str, frequency_hz: float) -> float:
        """Return the loss in dB from a source to the port."""
        return self.inputs[source].loss_db(frequency_hz)

    def least_loss_db(self, source: str, frequency_hz: float) -> float:
        """Return the least loss in dB that the bench file allows for."""
        return self.inputs[source].min_loss_to(self.port, frequency_hz)


def read_receive_paths(
    entries: Mapping[str, ReceivePathEntry],
    instruments: Mapping[str, InstrumentSpec],
    channels: Mapping[int, str],
    rated: Mapping[str, object],
    notes: Notes,
) -> dict[str, ReceivePath]:
    """Return the receive paths of a bench file, mistakes noted."""
    found: dict[str, ReceivePath] = {}
    fitting = [name for name, spec in instruments.items() if spec.instrument_class in (*SOURCES, "")]
    paths = {path: number for number, path in channels.items()}
    for name, entry in entries.items():
        at = ("receive_paths", name)
        if entry.shares is not None and entry.shares not in paths:
            notes.add((*at, "shares"), f"there is no transmit path {entry.shares!r}", allowed=listed(paths))
        if entry.port not in rated:
            message = f"the ratings do not hold {entry.port!r}, which gets power from generators"
            hint = f"add it from the data sheet of the radio, such as {entry.port}: -5 dBm"
            notes.add((*at, "port"), message, next_step=hint)
        if any(other.channel == entry.channel for other in found.values()):
            notes.add((*at, "channel"), f"receiver {entry.channel} has another receive path already")
        inputs: dict[str, Path] = {}
        for source, given in entry.inputs.items():
            loc = (*at, "inputs", source)
            if source not in fitting:
                message = f"{source!r} is no generator and no noise source of this bench"
                hint = did_you_mean(source, fitting)
                notes.add(loc, message, allowed=listed(fitting), next_step=hint, at_key=True)
            element = _element(source, given, entry.port, loc, notes)
            if element is not None:
                ends = [(f"{source} output", 0), (entry.port, 1)]
                inputs[source] = Path(f"{name} from {source}", [element], ends, source=None, load=None)
        found[name] = ReceivePath(
            name=name,
            channel=entry.channel,
            port=entry.port,
            shares=paths.get(entry.shares or ""),
            inputs=inputs,
        )
    return found


def _element(
    source: str, given: ReceiveInputEntry, port: str, loc: tuple[str, ...], notes: Notes
) -> Element | None:
    loss = table_loss(ElementEntry.model_validate({"kind": "table", "loss": given.loss}), loc, notes)
    if loss is None:
        return None
    label = f"{source} to {port}"
    figure = figure_of(given.uncertainty, f"bench file: uncertainty of {label}")
    limit = 0.0 if figure is None else figure.limit
    return Element(label=label, loss=loss, uncertainty_db=limit, uncertainty=figure)
