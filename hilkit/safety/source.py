"""The generator that stands in for the radio: where its power goes is known, and checked, before it is on.

The gate predicts what the radio can do; this predicts the generator: its level, with what its accuracy allows
on top, less the least loss to each node, against the rating of the node less the margin. The generator is off
before a person, a relay, a pad or the radio changes anything, and its own limit keeps it from being turned up
by hand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hilkit.bench.path import frequency_text
from hilkit.errors import BenchError, MeasurementError, SafetyStop
from hilkit.safety.prediction import REFUSED
from hilkit.safety.receive import receive_levels_dbm

if TYPE_CHECKING:
    from hilkit.bench import Bench, Connected
    from hilkit.instruments import SignalGenerator
    from hilkit.safety.gate import Gate

__all__ = ["Lead", "SourceDesk", "refuse_source_overload", "source_levels_dbm"]


@dataclass(frozen=True, kw_only=True)
class Lead:
    """What a generator leads to: a sensor directly, or through the path of a channel with its pad in dB.

    With ``receive`` it is the receive port of that channel, where ``others`` send too: name, frequency in Hz
    and level in dBm. ``sensor`` is the node that takes the power, such as ``power_meter sensor`` or
    ``analyser input``.
    """

    sensor: str
    channel: int | None = None
    pad_db: float = 0.0
    receive: int | None = None
    others: tuple[tuple[str, float, float], ...] = ()


def source_levels_dbm(
    bench: Bench, generator: str, lead: Lead, *, frequency_hz: float, level_dbm: float
) -> dict[str, float]:
    """Return the highest level in dBm that a setting of a generator can put on each node it leads to."""
    if lead.receive is not None:
        sent = {generator: (frequency_hz, level_dbm)} | {name: (hz, dbm) for name, hz, dbm in lead.others}
        return receive_levels_dbm(bench, bench.receive_path(lead.receive), sent)
    accuracy = bench.instruments[generator].figure("level")
    highest = level_dbm + (accuracy.limit if accuracy is not None else 0.0)
    if lead.channel is None:
        return {lead.sensor: highest}
    path = bench.path(lead.channel)
    nodes = {node: highest - path.min_loss_to(node, frequency_hz, pad_db=lead.pad_db) for node in path.nodes}
    return {**nodes, lead.sensor: nodes[path.nodes[-1]]}


def refuse_source_overload(
    bench: Bench, generator: str, lead: Lead, *, frequency_hz: float, level_dbm: float
) -> None:
    """Raise ``SafetyStop`` where a node would get more than its rating less the margin.

    A sensor without a rating is refused too: nothing shows that it stands the level.
    """
    if lead.sensor not in bench.ratings:
        raise SafetyStop(
            f"{REFUSED}: the bench file has no rating for {lead.sensor!r}, which is to get power",
            next_step=f"add it to the ratings, from its data sheet, such as {lead.sensor}: 20 dBm",
        )
    levels = source_levels_dbm(bench, generator, lead, frequency_hz=frequency_hz, level_dbm=level_dbm)
    for node, level in levels.items():
        rating = min(bench.ratings.get(node, math.inf), bench.peak_ratings.get(node, math.inf))
        allowed = rating - bench.margin_db
        if not level <= allowed:
            raise SafetyStop(
                f"{REFUSED}: {generator} at {level_dbm:g} dBm and {frequency_text(frequency_hz)} would put "
                f"up to {level:.1f} dBm on {node!r}, which is rated {rating:g} dBm and may get "
                f"{allowed:g} dBm (margin {bench.margin_db:g} dB)",
                next_step=f"use {level - allowed:.1f} dB less level",
            )


class SourceDesk:
    """The only way for a procedure to put power on the bench that is not the radio's.

    ``lead`` says what the generator's cable and the sensor stand at, ``send`` puts a level there. ``quiet``
    is true while every generator is known to be off, ``sending`` from the first level until then.
    """

    def __init__(self, connected: Connected, gate: Gate) -> None:
        self._connected = connected
        self._bench = connected.bench
        self._gate = gate
        self._lead: Lead | None = None
        self.quiet = False
        self.sending = False

    @property
    def name(self) -> str:
        """Name of the generator; ``BenchError`` on a bench without one."""
        for name in self._connected.generators:
            return name
        raise BenchError(
            f"bench {self._bench.name!r} has no signal generator", next_step="add one to its instruments"
        )

    @property
    def _generator(self) -> SignalGenerator:
        return self._connected.generators[self.name]

    def off(self) -> None:
        """Switch every generator off, read back; where it leads counts as unknown from here on."""
        self._lead = None
        self.mute()

    def mute(self) -> None:
        """Switch every generator off, read back, and leave everything in its place."""
        for generator in self._connected.generators.values():
            generator.safe()
        self.quiet = True
        self.sending = False

    def lead(self, lead: Lead) -> None:
        """Say what the generator now leads to.

        Relays and pad of the path are set here, with the generator and the radio off.
        """
        self.off()
        self._gate.mute_all()
        if lead.channel is not None:
            self._gate.select(lead.channel)
            self._gate.set_pad(lead.channel, lead.pad_db)
        self._lead = lead

    def send(self, frequency_hz: float, level_dbm: float) -> None:
        """Put a level in dBm on what the generator leads to, once no node would be overloaded.

        ``SafetyStop`` where it would, or where nobody has said what it leads to; ``MeasurementError`` where
        the generator does not reach the level.
        """
        if self._lead is None:
            raise SafetyStop(f"{REFUSED}: what {self.name} leads to is not known")
        refuse_source_overload(
            self._bench, self.name, self._lead, frequency_hz=frequency_hz, level_dbm=level_dbm
        )
        self._gate.interlocks.before_source()
        self.quiet = False
        self.sending = True
        generator = self._generator
        generator.set_output(False)
        generator.set_limit(level_dbm)
        generator.set_frequency(frequency_hz)
        generator.set_level(level_dbm)
        generator.set_output(True)
        if generator.status().unlevelled:
            self.mute()
            raise MeasurementError(
                f"{self.name} does not reach {level_dbm:g} dBm at {frequency_text(frequency_hz)}",
                next_step="use a lower level",
            )
