"""The receive side of the radio's control language: LO, sample rate, a block of samples, frames decoded."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from typing import Protocol

import numpy as np

from hilkit.sim.reception import Complex, SimReceiver

__all__ = ["ReceiveWords", "Reception", "Sorry"]


class Sorry(Exception):
    """What the unit refuses: its number and its words."""

    def __init__(self, number: int, words: str) -> None:
        super().__init__(f"sorry {number} {words}")


class Reception(Protocol):
    """The physics behind the words."""

    @property
    def receivers(self) -> Mapping[int, SimReceiver]:
        """The receivers by channel."""
        ...

    def hear(self, channel: int, count: int) -> Complex:
        """Return samples from -32767 to 32767 in I and Q."""
        ...

    def passed(self, channel: int, count: int) -> int:
        """Return how many of so many frames were decoded."""
        ...


class ReceiveWords:
    """The words ``rxlo``, ``rxrate``, ``hear`` and ``frames``, each with a channel; nothing until ``attach``.

    ``in_band`` tells which LO the synthesiser reaches.
    """

    def __init__(self, in_band: Callable[[float], bool]) -> None:
        self._in_band = in_band
        self._reception: Reception | None = None
        self.commands: dict[str, Callable[[list[str]], str]] = {
            "rxlo": self._lo,
            "rxrate": self._rate,
            "hear": self._hear,
            "frames": self._frames,
        }

    def attach(self, reception: Reception) -> None:
        """Put the receivers behind the words."""
        self._reception = reception

    def _receiver(self, words: list[str]) -> tuple[int, SimReceiver, list[str]]:
        receivers = {} if self._reception is None else self._reception.receivers
        if not words or not words[0].isdecimal() or int(words[0]) not in receivers:
            raise Sorry(20, f"no receiver {words[0] if words else ''}".rstrip())
        return int(words[0]), receivers[int(words[0])], words[1:]

    def _count(self, words: list[str], most: int) -> int:
        if len(words) != 1 or not words[0].isdecimal() or not 1 <= int(words[0]) <= most:
            raise Sorry(21, f"a count of 1 to {most} is needed here")
        return int(words[0])

    def _lo(self, words: list[str]) -> str:
        number, receiver, rest = self._receiver(words)
        if not rest:
            return f"rxlo {number} {receiver.carrier_hz:.0f}"
        try:
            wanted = float(rest[0])
        except ValueError:
            raise Sorry(11, f"a number is needed here, not {rest[0]}") from None
        if not self._in_band(wanted):
            raise Sorry(13, "rxlo out of range")
        receiver.carrier_hz = wanted
        return "ok"

    def _rate(self, words: list[str]) -> str:
        number, receiver, _ = self._receiver(words)
        return f"rxrate {number} {receiver.rate_hz:.0f}"

    def _hear(self, words: list[str]) -> str:
        number, receiver, rest = self._receiver(words)
        count = self._count(rest, receiver.profile.most_samples)
        assert self._reception is not None
        samples = self._reception.hear(number, count)
        pairs = np.column_stack((samples.real, samples.imag)).astype("<i2")
        return f"hear {number} {count} int16le {base64.b64encode(pairs.tobytes()).decode('ascii')}"

    def _frames(self, words: list[str]) -> str:
        number, _, rest = self._receiver(words)
        count = self._count(rest, 1_000_000)
        assert self._reception is not None
        return f"frames {number} {count} passed={self._reception.passed(number, count)}"
