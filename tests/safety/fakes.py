"""A radio, a pad and a relay that keep a common list of what they were told, in order."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from hilkit.bench import Bench
from hilkit.errors import LinkError, RefusedError


class FakeRadio:
    """Reads back what it sets, as the real class does; fails where a name is in ``broken`` or ``deaf``."""

    def __init__(self, log: list[str]) -> None:
        self.log = log
        self.broken: set[str] = set()
        self.deaf: set[str] = set()
        self.on = {1: True, 2: True}
        self.carriers = {1: 0.0, 2: 0.0}
        self.attenuations = {1: 0.0, 2: 0.0}
        self.streams = {1: "stopped", 2: "stopped"}
        self.synthesiser = ["locked"]

    def _told(self, name: str, *words: object) -> None:
        self.log.append(" ".join([name, *map(str, words)]))
        if name in self.broken:
            raise LinkError("no answer in time", instrument="radio")
        if name in self.deaf:
            raise RefusedError(f"{name} reads back otherwise", instrument="radio")

    def set_rf(self, channel: int, on: bool) -> None:
        self._told("rf", channel, "on" if on else "off")
        self.on[channel] = on

    def set_carrier(self, channel: int, hz: float) -> None:
        self._told("lo", channel, f"{hz:.0f}")
        self.carriers[channel] = hz

    def synthesiser_state(self, channel: int) -> str:
        self._told("lock?", channel)
        return self.synthesiser.pop(0) if len(self.synthesiser) > 1 else self.synthesiser[0]

    def restart_synthesiser(self, channel: int) -> None:
        self._told("restart", channel)

    def set_attenuation(self, channel: int, db: float) -> None:
        self._told("trim", channel, f"{db:g}")
        self.attenuations[channel] = db

    def attenuation_range(self) -> tuple[float, float, float]:
        return (0.0, 31.5, 0.5)

    def play_tone(self, channel: int, offset_hz: float, dbfs: float) -> None:
        self._told("tone", channel, f"{offset_hz:g}", f"{dbfs:g}")

    def play_waveform(self, channel: int, name: str, dbfs: float) -> None:
        self._told("waveform", channel, name, f"{dbfs:g}")

    def start_stream(self, channel: int) -> None:
        self._told("start", channel)
        self.streams[channel] = "running"

    def stop_stream(self, channel: int) -> None:
        self._told("stop", channel)
        self.streams[channel] = "stopped"

    def stream(self, channel: int) -> str:
        return f"tone 0 0 {self.streams[channel]}"

    def set_reference(self, source: str) -> None:
        self._told("reference", source)

    def calibrate(self, channel: int) -> None:
        self._told("calibrate", channel)


class FakePad:
    def __init__(self, log: list[str]) -> None:
        self.log = log
        self.db = 0.0
        self.stuck = False
        self.range = (0.0, 60.0, 1.0)

    def set(self, db: float) -> float:
        self.log.append(f"pad {db:g}")
        if self.stuck:
            raise RefusedError(f"sent {db:g} dB, read back {self.db:g} dB", instrument="pad")
        self.db = db
        return self.db


class FakeRelay:
    def __init__(self, log: list[str]) -> None:
        self.log = log
        self.now: tuple[int, ...] = (101,)
        self.stuck = False

    def route(self, channels: Iterable[int]) -> None:
        self.now = tuple(channels)
        self.log.append(f"relay {self.now}")

    def open_all(self) -> None:
        self.log.append("relay open")
        if self.stuck:
            raise RefusedError("101 is closed", instrument="relay")
        self.now = ()


class FakeGenerator:
    def __init__(self, log: list[str]) -> None:
        self.log = log
        self.on = True
        self.stuck = False

    def safe(self) -> None:
        self.log.append("generator off")
        if self.stuck:
            raise RefusedError("output: sent off, read back on", instrument="generator")
        self.on = False


class FakeBench:
    """Stands for ``Connected``."""

    def __init__(self, bench: Bench) -> None:
        self.bench = replace(bench, interlocks={})  # there is nothing here to read them from
        self.log: list[str] = []
        self.radio = FakeRadio(self.log)
        self.pads: dict[str, Any] = {"pad": FakePad(self.log)}
        self.switches: dict[str, Any] = {"relay": FakeRelay(self.log)}
        self.generators: dict[str, Any] = {}
        self.noise_sources: dict[str, Any] = {}
        self.analyser = object()

    def on_radio(self) -> list[bool]:
        """Return whether RF is on, channel by channel."""
        return list(self.radio.on.values())

    def said(self) -> list[str]:
        """Return what was said since the last call."""
        lines = list(self.log)
        self.log.clear()
        return lines
