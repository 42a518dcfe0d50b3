"""RF off on every link at once, each in its own short time; one that is dead keeps no other one on."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from hilkit.errors import HilkitError, LinkError, RefusedError, ReplyError
from hilkit.instruments.hurry import hurried

if TYPE_CHECKING:
    from hilkit.bench import Connected

__all__ = ["MUTE_S", "Muted", "mute", "told"]

MUTE_S = 0.5
"""Time in seconds that RF off may take on one link, unless its driver file gives ``mute_time``."""

LOST_S = 1.0
"""Time in seconds on top of that after which a link that has not come back is left alone."""

AGAIN_S = 0.1
"""Time in seconds that has to be left for a second try."""

RADIO = "radio"


@dataclass
class Muted:
    """What was not confirmed to be off, and why: channels of the radio, generators by name."""

    channels: dict[int, str] = field(default_factory=dict)
    generators: dict[str, str] = field(default_factory=dict)


def mute(connected: Connected) -> Muted:
    """Turn RF off on every channel of the radio and every generator, the links at the same time.

    Raises nothing. Each is confirmed by its read-back; what a port really sends is another question.
    """
    muted = Muted()
    jobs: dict[str, Callable[[], None]] = {RADIO: lambda: _mute_radio(connected, muted)}
    sources = {**connected.generators, **connected.noise_sources}
    for name, generator in sources.items():
        jobs[name] = _generator_job(name, generator, muted)
    times = {RADIO: _time_s(connected.radio)}
    times |= {name: _time_s(generator) for name, generator in sources.items()}
    for name in _at_once(jobs, times):
        why = f"{name}: it did not come back in time"
        if name == RADIO:
            muted.channels = {**dict.fromkeys(connected.bench.channels, why), **muted.channels}
        else:
            muted.generators.setdefault(name, why)
    return muted


def _at_once(jobs: Mapping[str, Callable[[], None]], times_s: Mapping[str, float]) -> list[str]:
    """Do all jobs at the same time and return those that did not end in theirs."""
    threads = {
        name: threading.Thread(target=job, name=f"RF off: {name}", daemon=True) for name, job in jobs.items()
    }
    for thread in threads.values():
        thread.start()
    for name, thread in threads.items():
        thread.join(times_s[name] + LOST_S)
    return [name for name, thread in threads.items() if thread.is_alive()]


def _time_s(item: Any) -> float:
    given = getattr(getattr(item, "dialect", None), "mute_time_s", 0.0)
    return given if isinstance(given, float) and given > 0 else MUTE_S


def _mute_radio(connected: Connected, muted: Muted) -> None:
    radio = connected.radio
    trouble = ""
    try:
        with hurried(radio, _time_s(radio)) as hurry:
            for channel in connected.bench.channels:
                if trouble:
                    muted.channels[channel] = trouble  # a link that is dead is dead for all channels
                    continue
                try:
                    _off(radio, channel, hurry)
                except (RefusedError, ReplyError) as error:
                    muted.channels[channel] = told(error)
                except Exception as error:  # whatever it is, the other channels and links go on
                    muted.channels[channel] = trouble = told(error)
    except Exception as error:
        muted.channels |= dict.fromkeys(connected.bench.channels, told(error))


def _off(radio: Any, channel: int, hurry: Any) -> None:
    try:
        radio.set_rf(channel, False)
    except HilkitError as error:
        # One bad answer is no reason to cut its power, and a connection that was dropped can be opened again
        # at once. Silence has used up the time.
        if getattr(hurry, "left", 0.0) < AGAIN_S:
            raise
        if isinstance(error, LinkError):
            radio.recover()
        radio.set_rf(channel, False)


def _generator_job(name: str, generator: Any, muted: Muted) -> Callable[[], None]:
    def job() -> None:
        try:
            with hurried(generator, _time_s(generator)) as hurry:
                try:
                    generator.safe()
                except (RefusedError, ReplyError):
                    if getattr(hurry, "left", 0.0) < AGAIN_S:
                        raise
                    generator.safe()
        except Exception as error:  # whatever it is, the other links go on
            muted.generators[name] = told(error)

    return job


def told(error: Exception) -> str:
    """Return an error in a few words, for a list of what to do by hand."""
    return error.message if isinstance(error, HilkitError) else f"{type(error).__name__}: {error}"
