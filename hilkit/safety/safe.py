"""The safe state as a graph: RF off and seen to be off, else cut; supplies down; only then relays and pads.

::

    RF off on every link at once (radio, generators), each in its own short time
      |- a radio that does not obey ---------------> second means of its channels, at once
    level at the ports that the analyser sees, at the others by the radio's detector
      |- RF still there ---------------------------> second means of its channels, and a look again
    supplies that go off, in reverse order, each confirmed before the next
    RF off everywhere?  yes: transmit attenuation and pads to their maximum, relays open
                        no:  they stay as they are, since RF may be on
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

from hilkit.bench.power import bring_down, is_dead
from hilkit.errors import BenchError, HilkitError
from hilkit.instruments.hurry import hurried
from hilkit.safety.muting import Muted, mute, told
from hilkit.safety.port_level import PortLevel, look_at_ports

if TYPE_CHECKING:
    from hilkit.bench import Connected
    from hilkit.bench.supplies import SecondMeans
    from hilkit.clock import Clock

__all__ = ["SafeState", "make_safe", "reach_safe"]

CUT_S = 0.6
"""Time in seconds that the second means may take."""

DOWN_S = 1.0
"""Time in seconds that a supply may take to answer; its voltage has the time of the bench file on top."""

POLL_S = 0.02

BOX_S = 3.0
"""Time in seconds that a pad, a relay or the transmit attenuation may take: RF is off by then."""


@dataclass
class SafeState:
    """What became of the bench.

    ``not_safe`` says in capitals what to do by hand, empty where everything is safe. ``told`` says how RF off
    is known; ``cut`` what the second means had to cut, and why.
    """

    not_safe: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    cut: list[str] = field(default_factory=list)


def make_safe(connected: Connected, clock: Clock) -> list[str]:
    """Bring the bench into its safe state and return one sentence for each part that did not get there."""
    return reach_safe(connected, clock).not_safe


def reach_safe(connected: Connected, clock: Clock, *, keep_supplies: bool = False) -> SafeState:
    """Bring the bench into its safe state and return what became of it.

    Every part is tried whatever became of the others, with one exception: no relay and no pad moves while RF
    may be on. ``keep_supplies`` leaves on what is on, for a run that goes on. Raises nothing but what a
    person sends (``KeyboardInterrupt``). Take watchers that raise off the clock first: they would end the
    waits in here.
    """
    return _Graph(connected, clock).run(keep_supplies=keep_supplies)


class _Graph:
    """One way through the graph. ``on`` says why RF of a channel may be on."""

    def __init__(self, connected: Connected, clock: Clock) -> None:
        self.connected, self.clock = connected, clock
        self.bench = connected.bench
        self.state = SafeState()
        self.on: dict[int, str] = {}
        self.cut: set[int] = set()
        self.tried: set[SecondMeans] = set()

    def run(self, *, keep_supplies: bool) -> SafeState:
        muted = mute(self.connected)
        self.on |= muted.channels
        for channel in muted.channels:
            self._cut(channel)
        self._tell_rf(muted, self._looked_at())
        if not keep_supplies or self.on:
            self._supplies_down()
        if self.on or muted.generators:
            self.state.told.append("relays and pads were left as they are, since RF may be on")
        else:
            self._boxes()
        return self.state

    # --- RF

    def _looked_at(self) -> dict[int, PortLevel]:
        """Look at the ports; what still radiates is cut, as long as there is something to cut it with."""
        asked = [channel for channel in self.bench.channels if channel not in {*self.on, *self.cut}]
        seen = look_at_ports(self.connected, self.bench.channels, detectors=asked)
        while radiating := [channel for channel, look in seen.items() if look.seen == "on"]:
            for channel in radiating:
                still = f"{seen[channel].by} still sees {seen[channel].level_dbm:.0f} dBm at its port"
                self.on[channel] = f"{self.on[channel]}; {still}" if channel in self.on else still
            if not any(self._means(channel) for channel in radiating):
                break
            for channel in radiating:
                self._cut(channel)
            seen |= look_at_ports(self.connected, radiating)
        return seen

    def _means(self, channel: int) -> list[SecondMeans]:
        """Return what may still be tried for a channel, in the order of the bench file."""
        return [
            each for each in self.bench.second_means if channel in each.channels and each not in self.tried
        ]

    def _cut(self, channel: int) -> None:
        """Use the second means of a channel until one works; it cuts its other channels too."""
        for means in self._means(channel):
            if channel not in self.on:
                return
            self.tried.add(means)
            try:
                self._use(means)
            except Exception as error:  # the next means may do better
                for each in self.on.keys() & {*means.channels}:
                    self.on[each] += f"; {means.name} did not cut it: {told(error)}"
                continue
            why = self.on[channel]
            self.state.cut.append(f"{means.name} has cut RF of channel {_listed(means.channels)}: {why}")
            self.cut |= {*means.channels}
            for each in means.channels:
                self.on.pop(each, None)

    def _use(self, means: SecondMeans) -> None:
        if means.output is None:
            switch = _found(self.connected.switches, means.instrument)
            with hurried(switch, CUT_S):
                switch.open(means.open)
            return
        supply = _found(self.connected.supplies, means.instrument)
        place = (means.instrument, means.output)
        rails = (rail for rail in self.bench.rails if (rail.instrument, rail.output) == place)
        voltage_v = max((rail.voltage_v for rail in rails), default=0.0)
        with hurried(supply, CUT_S):
            supply.set_output(False, output=means.output)
            deadline = self.clock.deadline(CUT_S)
            while not is_dead(supply, means.output, voltage_v):
                if deadline.passed:
                    raise BenchError(f"{means.name} is off, but voltage is left at it")
                self.clock.sleep(POLL_S)

    def _tell_rf(self, muted: Muted, seen: dict[int, PortLevel]) -> None:
        for channel, why in self.on.items():
            by_hand = "SWITCH THE SUPPLY OF THE RADIO OFF BY HAND"
            self.state.not_safe.append(f"RF OF CHANNEL {channel} MAY BE ON, {by_hand}: {why}")
        for name, why in muted.generators.items():
            self.state.not_safe.append(f"RF OF {name} MAY BE ON, SWITCH {name} OFF BY HAND: {why}")
        for channel, look in seen.items():
            if channel in self.on:
                continue
            means = "as it was cut" if channel in self.cut else "as the radio reports"
            if look.seen == "off":
                self.state.told.append(
                    f"RF of channel {channel} is off: {look.level_dbm:.0f} dBm or less at its port, "
                    f"by {look.by}"
                )
            else:
                self.state.told.append(f"RF of channel {channel} is off only {means}: {look.reason}")

    # --- the rest

    def _supplies_down(self) -> None:
        """Switch off in reverse; what has to stay until another one is down stays where that one is not."""
        down = [rail for rail in reversed(self.bench.rails) if rail.off_when_safe]
        for number, rail in enumerate(down):
            try:
                supply = _found(self.connected.supplies, rail.instrument)
                with hurried(supply, DOWN_S + rail.settles_s):
                    bring_down(supply, rail, self.clock)
            except Exception as error:
                self.state.not_safe.append(
                    f"{rail.name} ({rail.feeds}) IS NOT DOWN, SWITCH IT OFF BY HAND: {told(error)}"
                )
                for later in down[number + 1 :]:
                    self.state.not_safe.append(
                        f"{later.name} ({later.feeds}) IS STILL ON, SWITCH IT OFF BY HAND AFTER {rail.name}: "
                        "it goes off only after that one"
                    )
                return

    def _boxes(self) -> None:
        for item, what, action in self._moves():
            try:
                with hurried(item, BOX_S):
                    try:
                        action()
                    except HilkitError:  # a spoilt answer, or what stood in its error queue from before
                        action()
            except Exception as error:  # whatever went wrong here, the rest is tried
                self.state.not_safe.append(f"{what}: {told(error)}")

    def _moves(self) -> Iterator[tuple[Any, str, Callable[[], object]]]:
        for name, pad in self.connected.pads.items():
            by_hand = f"{name} IS NOT AT ITS MAXIMUM, SET IT BY HAND BEFORE RF IS ON AGAIN"
            yield pad, by_hand, partial(_pad_up, pad)
        for name, switch in self.connected.switches.items():
            by_hand = f"RELAYS OF {name} ARE NOT OPEN, OPEN THEM BY HAND BEFORE RF IS ON AGAIN"
            yield switch, by_hand, switch.open_all
        for channel in self.bench.channels:
            if channel not in self.cut:
                radio = self.connected.radio
                by_hand = f"TRANSMIT ATTENUATION OF CHANNEL {channel} IS NOT AT ITS MAXIMUM, KEEP RF OFF"
                yield radio, by_hand, partial(_attenuate, radio, channel)


def _found(items: Mapping[str, Any], name: str) -> Any:
    if name not in items:
        raise BenchError(f"{name} is not open")
    return items[name]


def _listed(channels: tuple[int, ...]) -> str:
    return ", ".join(map(str, channels))


def _pad_up(pad: Any) -> None:
    pad.set(pad.range[1])


def _attenuate(radio: Any, channel: int) -> None:
    radio.set_attenuation(channel, radio.attenuation_range()[1])
