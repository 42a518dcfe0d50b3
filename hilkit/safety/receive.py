"""Power into a receive port: generators and noise sources together, checked before any of them is on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from hilkit.bench.path import frequency_text
from hilkit.errors import MeasurementError, SafetyStop
from hilkit.safety.prediction import REFUSED, power_sum_dbm

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from hilkit.bench import Bench, Connected
    from hilkit.bench.receive import ReceivePath
    from hilkit.safety.gate import Gate

__all__ = ["ReceiveDesk", "Sent", "receive_levels_dbm", "refuse_receive_overload"]

Sent = Mapping[str, tuple[float, float]]
"""What generators send: frequency in Hz and level in dBm by name."""


def receive_levels_dbm(bench: Bench, path: ReceivePath, sent: Sent) -> dict[str, float]:
    """Return the highest level in dBm that all generators together can put on a receive port."""
    levels = []
    for name, (frequency_hz, level_dbm) in sent.items():
        accuracy = bench.instruments[name].figure("level")
        highest = level_dbm + (accuracy.limit if accuracy is not None else 0.0)
        levels.append(highest - path.least_loss_db(name, frequency_hz))
    return {path.port: power_sum_dbm(levels) if levels else -math.inf}


def refuse_receive_overload(bench: Bench, path: ReceivePath, sent: Sent) -> None:
    """Raise ``SafetyStop`` where a receive port would get more than its rating less the margin."""
    level = receive_levels_dbm(bench, path, sent)[path.port]
    rating = min(bench.ratings.get(path.port, -math.inf), bench.peak_ratings.get(path.port, math.inf))
    allowed = rating - bench.margin_db
    # Tones add up in voltage now and then: the peak counts against the rating.
    peak = level + (10 * math.log10(len(sent)) if sent else 0.0)
    if not peak <= allowed:
        each = (f"{name} at {dbm:g} dBm, {frequency_text(hz)}" for name, (hz, dbm) in sent.items())
        told = " and ".join(each)
        raise SafetyStop(
            f"{REFUSED}: {told} would put up to {peak:.1f} dBm on {path.port!r}, which is rated "
            f"{rating:g} dBm and may get {allowed:g} dBm (margin {bench.margin_db:g} dB)",
            next_step=f"use {peak - allowed:.1f} dB less level",
        )


class ReceiveDesk:
    """The only way for a procedure to put power on a receive port, and to have the radio listen.

    ``begin`` names the channel, with RF of the radio and all sources off; ``send`` and ``noise`` put signals
    there. Whatever brings a transmitter up switches all sources off first.
    """

    def __init__(self, connected: Connected, gate: Gate) -> None:
        self._connected, self._bench, self._gate = connected, connected.bench, gate
        self._path: ReceivePath | None = None
        self._sent: dict[str, tuple[float, float]] = {}

    @property
    def sending(self) -> bool:
        """True while a generator puts power on a receive port, or may."""
        return bool(self._sent)

    def off(self) -> None:
        """Switch every source off, read back; which port they lead to counts as unknown from here on."""
        if self._path is not None:
            self.mute()
        self._path = None

    def mute(self) -> None:
        """Switch every generator and noise source off, read back."""
        for generator in self._connected.generators.values():
            generator.safe()
        for source in self._connected.noise_sources.values():
            source.safe()
        self._sent.clear()

    def begin(self, channel: int, carrier_hz: float) -> None:
        """Take a receiver in hand, tuned to ``carrier_hz``: transmitters and sources are off then."""
        self._path = self._bench.receive_path(channel)
        self._gate.mute_all()
        self.mute()
        self._connected.radio.set_receive_carrier(channel, carrier_hz)

    def _begun(self) -> ReceivePath:
        if self._path is None:
            raise SafetyStop(f"{REFUSED}: which receive port the sources lead to is not known")
        if hot := self._gate.hot():
            channels = ", ".join(map(str, hot))
            raise SafetyStop(
                f"{REFUSED}: RF of channel {channels} is on, or may be, while sources lead to a receive port",
                next_step="turn it off first",
            )
        return self._path

    def send(self, generator: str, frequency_hz: float, level_dbm: float) -> None:
        """Have one generator send, once the port would not be overloaded by all that are on together.

        ``SafetyStop`` where it would; ``MeasurementError`` where the generator does not reach the level.
        """
        path = self._begun()
        wanted = {**self._sent, generator: (frequency_hz, level_dbm)}
        refuse_receive_overload(self._bench, path, wanted)
        self._gate.interlocks.before_source()
        item = self._connected.generators[generator]
        item.set_output(False)
        self._sent = wanted
        item.set_limit(level_dbm)
        item.set_frequency(frequency_hz)
        item.set_level(level_dbm)
        item.set_output(True)
        if item.status().unlevelled:
            self.mute()
            raise MeasurementError(
                f"{generator} does not reach {level_dbm:g} dBm at {frequency_text(frequency_hz)}",
                next_step="use a lower level",
            )

    def noise(self, source: str, on: bool) -> None:
        """Switch a noise source; its power is far below any rating."""
        self._begun()
        self._connected.noise_sources[source].set_output(on)

    def sample_rate_hz(self) -> float:
        """Return the rate of the receiver's samples in Hz."""
        return self._connected.radio.sample_rate_hz(self._begun().channel)

    def samples(self, count: int) -> NDArray[np.complex128]:
        """Return a block of samples of the receiver, full scale being 1."""
        return self._connected.radio.samples(self._begun().channel, count)

    def frames_passed(self, count: int) -> int:
        """Return how many of so many frames the receiver has decoded."""
        return self._connected.radio.frames_passed(self._begun().channel, count)
