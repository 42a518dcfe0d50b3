"""The safe state: all RF off, transmit attenuation and pads at their maximum, relays open."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import partial
from typing import TYPE_CHECKING

from hilkit.errors import HilkitError

if TYPE_CHECKING:
    from hilkit.bench import Connected
    from hilkit.clock import Clock
    from hilkit.instruments import Radio, StepAttenuator

__all__ = ["make_safe"]

BUDGET_S = 8.0
"""Time in seconds on one instrument after which the rest of it is not tried: a dead link must not block."""

RADIO = "radio"

_FACTS_OF_LINK = re.compile(r" \([^()]*\bthe link\b.*\)$", re.DOTALL)
"""What a message tells of the link besides: on a list of what to switch off by hand it drowns the rest."""


def make_safe(connected: Connected, clock: Clock) -> list[str]:
    """Bring the bench into its safe state and return one sentence for each part that did not get there.

    Every part is tried whatever became of the others: RF off on all channels and generators first, then pads
    to their maximum, relays open, and the transmit attenuation to its maximum. The instrument classes confirm
    each by read-back. Raises nothing but what a person sends (``KeyboardInterrupt``). Take watchers that
    raise off the clock first: they would end the waits in here.
    """
    failed: list[str] = []
    spent_s: dict[str, float] = {}
    for instrument, what, by_hand, action in _actions(connected):
        if spent_s.get(instrument, 0.0) > BUDGET_S:
            failed.append(f"{what}: not tried, since {instrument} did not answer; {by_hand}")
            continue
        start = clock.now()
        try:
            action()
        except HilkitError as error:
            failed.append(f"{what}: {_FACTS_OF_LINK.sub('', error.message)}; {by_hand}")
        except Exception as error:  # whatever went wrong here, the rest is tried
            failed.append(f"{what}: {type(error).__name__}: {error}; {by_hand}")
        spent_s[instrument] = spent_s.get(instrument, 0.0) + clock.now() - start
    return failed


def _actions(connected: Connected) -> Iterator[tuple[str, str, str, Callable[[], object]]]:
    radio, channels = connected.radio, connected.bench.channels
    for channel in channels:
        what = f"RF of channel {channel} off"
        yield RADIO, what, "switch the radio's supply off", partial(radio.set_rf, channel, False)
    for name, generator in connected.generators.items():
        yield name, f"RF of {name} off", f"switch {name} off by hand", generator.safe
    for name, pad in connected.pads.items():
        yield name, f"{name} to its maximum", "set it by hand before RF is on again", partial(_pad_up, pad)
    for name, switch in connected.switches.items():
        yield name, f"relays of {name} open", "open them by hand before RF is on again", switch.open_all
    for channel in channels:
        what = f"transmit attenuation of channel {channel} to its maximum"
        yield RADIO, what, "make sure that RF is off", partial(_attenuate, radio, channel)


def _pad_up(pad: StepAttenuator) -> None:
    pad.set(pad.range[1])


def _attenuate(radio: Radio, channel: int) -> None:
    radio.set_attenuation(channel, radio.attenuation_range()[1])
