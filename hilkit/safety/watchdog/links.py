"""Fresh links of the watchdog: opened all at once, and RF switched off as soon as one is there."""

from __future__ import annotations

import itertools
import subprocess
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from typing import Any

from hilkit.bench import Bench, Connected, InstrumentSpec, open_one
from hilkit.clock import WallClock
from hilkit.errors import HilkitError, LinkError
from hilkit.instruments import NullTranscript, Radio

__all__ = ["Links", "Unreached"]

_AGAIN_S = 0.05
_ONE_SHOT_S = 5.0
_FIRST_ANSWER_S = 0.3


class Unreached:
    """Stands for an instrument that cannot be reached (yet): whatever is done with it is a ``LinkError``."""

    def __init__(self, name: str, reason: str) -> None:
        self._name, self._reason = name, reason

    def __getattr__(self, attribute: str) -> Unreached:
        if attribute.startswith("__"):
            raise AttributeError(attribute)
        return self

    def __call__(self, *_: object, **__: object) -> Any:
        """Raise ``LinkError``."""
        raise LinkError(f"it cannot be reached: {self._reason}", instrument=self._name)

    def __getitem__(self, _: object) -> Any:
        return self()

    def __iter__(self) -> Any:
        return self()

    def close(self) -> None:
        """Do nothing: nothing is open."""


class _Hasty(WallClock):
    """Does not wait as long as the console of a radio would before it opens its link again."""

    def sleep(self, seconds: float) -> None:
        super().sleep(min(seconds, _AGAIN_S))


class _Silenced:
    """Stands for a radio whose one-shot command has switched RF off: there is nothing left to do on it."""

    def set_rf(self, channel: int, on: bool) -> None:
        assert not on

    def rf(self, channel: int) -> bool:
        return False

    def attenuation_range(self) -> tuple[float, float, float]:
        return 0.0, 0.0, 1.0

    def set_attenuation(self, channel: int, db: float) -> None:
        return None

    def close(self) -> None:
        return None


class Links:
    """Opens every instrument of a bench, and again and again what refuses, until ``close``.

    The radio and signal generators are muted the moment they are reached, whatever the others do.
    ``muted`` tells at what time (of ``time.monotonic``) each one was.
    """

    def __init__(self, bench: Bench, manager: Any) -> None:
        self._bench, self._manager = bench, manager
        self._clock = WallClock()
        self._lock = threading.Lock()
        self._opened: dict[str, Any] = {}
        self._reasons: dict[str, str] = {}
        self._over = threading.Event()
        self.muted: dict[str, float] = {}
        self._specs = (bench.radio_spec, *bench.instruments.values())
        self._threads = [
            threading.Thread(target=self._open, args=(spec,), daemon=True) for spec in self._specs
        ]
        for thread in self._threads:
            thread.start()

    def _open(self, spec: InstrumentSpec) -> None:
        for attempt in itertools.count():
            if self._over.is_set():
                return
            try:
                instrument = self._silenced(spec) if spec.command else self._reached(spec, attempt)
            except Exception as error:  # whatever it is, the next try may do better
                with self._lock:
                    self._reasons[spec.name] = _told(error)
                self._over.wait(_AGAIN_S)
                continue
            with self._lock:
                self._opened[spec.name] = instrument
            return

    def _reached(self, spec: InstrumentSpec, attempt: int) -> Any:
        if spec.name == self._bench.radio_spec.name:
            return self._muted_radio(spec, attempt)
        instrument = open_one(spec, self._manager, self._clock, NullTranscript())
        with _closed_on_error(instrument):
            instrument.errors()  # what the run left there is no answer to what is sent from now on
            if spec.instrument_class == "signal_generator":
                instrument.safe()
                self.muted[spec.name] = time.monotonic()
        return instrument

    def _muted_radio(self, spec: InstrumentSpec, attempt: int) -> Any:
        """Open the control line and mute every channel, whatever becomes of the others.

        A unit that still holds on to the connection of the run may take another and say nothing: the first
        attempts wait but shortly for an answer.
        """
        usual_s = spec.dialect.link.timeout_s
        link = replace(spec.dialect.link, timeout_s=min(usual_s, _FIRST_ANSWER_S * 2**attempt))
        hasty = replace(spec, dialect=replace(spec.dialect, link=link))
        radio = open_one(hasty, self._manager, _Hasty(), NullTranscript())
        with _closed_on_error(radio):
            troubles = [error for channel in self._bench.channels if (error := _trouble(radio, channel))]
            if troubles:
                raise troubles[0]
        self.muted[spec.name] = time.monotonic()
        if isinstance(radio, Radio):
            radio.console.timeout_s = usual_s
        return radio

    def _silenced(self, spec: InstrumentSpec) -> Any:
        """Run the one-shot command of a radio behind a program; its code is its answer."""
        command = list(spec.dialect.safe_command)
        if not command:
            raise LinkError("its driver has no safe_command", instrument=spec.name)
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, timeout=_ONE_SHOT_S, check=False
        )
        if done.returncode != 0:
            said = " ".join((done.stderr or done.stdout).decode("utf-8", "replace").split())[-200:]
            raise LinkError(
                f"{' '.join(command)} ended with code {done.returncode} {said}".rstrip(), instrument=spec.name
            )
        self.muted[spec.name] = time.monotonic()
        return _Silenced()

    def wait(self, seconds: float) -> None:
        """Wait until all are open, at most ``seconds``."""
        deadline = self._clock.deadline(seconds)
        for thread in self._threads:
            thread.join(deadline.left)

    def connected(self) -> Connected:
        """Return the bench with what is open by now; everything else is ``Unreached``."""
        with self._lock:
            opened: Mapping[str, Any] = dict(self._opened)
            reasons = dict(self._reasons)
        everything: dict[str, Any] = {
            spec.name: opened.get(spec.name)
            or Unreached(spec.name, reasons.get(spec.name, "it does not answer"))
            for spec in self._specs
        }
        radio = everything.pop(self._bench.radio_spec.name)
        return Connected(self._bench, everything, radio)

    @property
    def missing(self) -> dict[str, str]:
        """Why each instrument that is not open could not be reached."""
        with self._lock:
            return {
                spec.name: self._reasons.get(spec.name, "it does not answer")
                for spec in self._specs
                if spec.name not in self._opened
            }

    def close(self) -> None:
        """Close what is open and try no more."""
        self._over.set()
        with self._lock:
            opened = list(self._opened.values())
        for instrument in opened:
            with suppress(HilkitError, OSError):
                instrument.close()


@contextmanager
def _closed_on_error(instrument: Any) -> Iterator[None]:
    try:
        yield
    except BaseException:
        with suppress(HilkitError, OSError):
            instrument.close()
        raise


def _trouble(radio: Radio, channel: int) -> Exception | None:
    try:
        radio.set_rf(channel, False)
    except Exception as error:
        return error
    return None


def _told(error: Exception) -> str:
    return error.message if isinstance(error, HilkitError) else f"{type(error).__name__}: {error}"
