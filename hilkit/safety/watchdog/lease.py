"""The lease: what the thread of the plan says of itself while it works."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from hilkit.bench.watch import WatchSpec
from hilkit.safety.watchdog.protocol import lease_line

__all__ = ["Lease"]

_SHARE = 0.1
"""A lease is renewed at the earliest when this part of it is used up: a sign of life costs nothing before."""

_SLACK_S = 0.25
"""What an operation may take besides its own timeout, in seconds."""


class Lease:
    """Renews itself from the thread that made it, and from no other: a heartbeat of another proves nothing.

    ``renew`` is a watcher of the clock, called in every wait; ``grant`` minds the clock, called before each
    exchange with an instrument. What an operation may take longer than the lease is granted, up to the
    longest time of the bench. ``send`` raises ``OSError`` where the watchdog is gone; ``lost`` is true from
    then on.
    """

    def __init__(
        self, spec: WatchSpec, send: Callable[[bytes], object], *, now: Callable[[], float] = time.monotonic
    ) -> None:
        self._lease_s, self._longest_s = spec.lease_s, spec.longest_s
        self._send, self._now = send, now
        self._thread = threading.get_ident()
        self._sent_at = -1e9
        self._good_until = -1e9
        self.lost = False

    def renew(self) -> None:
        """Give a sign of life, if it is time for one."""
        self._say(self._lease_s)

    def grant(self, seconds: float) -> None:
        """Give a sign of life before something that keeps the thread for up to ``seconds``."""
        self._say(min(max(self._lease_s, seconds + _SLACK_S), self._longest_s))

    def extend(self, seconds: float) -> None:
        """Ask for ``seconds`` whatever the bench allows: for the safe state, which ends by itself."""
        self._sent_at = -1e9
        self._say(max(seconds, self._lease_s))

    def _say(self, seconds: float) -> None:
        now = self._now()
        if now - self._sent_at < _SHARE * self._lease_s and now + seconds <= self._good_until + _SLACK_S:
            return
        if self.lost or threading.get_ident() != self._thread:
            return
        try:
            self._send(lease_line(seconds))
        except OSError:
            self.lost = True
            return
        self._sent_at, self._good_until = now, now + seconds
