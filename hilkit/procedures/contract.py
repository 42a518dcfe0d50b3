"""The contract between a procedure and the run.

A procedure declares, as data, its settings, the readings it yields, the capabilities it needs, and whether it
establishes a state or only measures. It never sees a limit, never prints, never opens a file, never sleeps by
itself, and never touches RF but through the session, whose gate predicts the level at every node first.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict

from hilkit.readings import Budget, Measured, ReadingSpec

if TYPE_CHECKING:
    from hilkit.bench import Bench
    from hilkit.safety import Lead, RfState, Session

__all__ = ["Band", "Calibrates", "Exposure", "Need", "Procedure", "Settings", "SourceExposure"]


class Settings(BaseModel):
    """Base of every procedure's settings: unknown keys are refused, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


@dataclass(frozen=True, kw_only=True)
class Need:
    """An instrument class of the bench, and the capabilities of it, that a procedure cannot do without."""

    instrument_class: str
    capabilities: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """One RF state that a procedure may command, with the time it is expected to last, in seconds."""

    state: RfState
    expected_s: float


@dataclass(frozen=True, kw_only=True)
class Band:
    """Frequencies in Hz at which a procedure reads a channel through its path, with the pad at ``pad_db``."""

    channel: int
    low_hz: float
    high_hz: float
    pad_db: float = 0.0


@dataclass(frozen=True, kw_only=True)
class SourceExposure:
    """One setting of a signal generator that a procedure may command, and what it leads to then."""

    generator: str
    lead: Lead
    frequency_hz: float
    level_dbm: float


@dataclass(frozen=True, kw_only=True)
class Calibrates:
    """Which path a procedure calibrates, in which state, with what.

    ``reading`` is the series over frequency in Hz whose values in dB are the losses. ``pad_db`` is ``None``
    on a path without a step attenuator. ``temperature_c`` is that of the room, where somebody has read it.
    """

    path: str
    reading: str
    pad_db: float | None
    sensor: Literal["power_meter", "signal_analyser"]
    level_dbm: float
    instruments: tuple[str, ...]
    temperature_c: float | None = None


S = TypeVar("S", bound=Settings)


class Procedure(ABC, Generic[S]):
    """One measurement."""

    name: ClassVar[str]
    summary: ClassVar[str]
    version: ClassVar[int] = 1
    settings_model: ClassVar[type[Settings]]
    readings: ClassVar[tuple[ReadingSpec, ...]]
    needs: ClassVar[tuple[Need, ...]]
    establishes_state: ClassVar[bool]
    asks_person: ClassVar[bool] = False

    @abstractmethod
    def envelope(self, settings: S, bench: Bench) -> Iterable[Exposure]:
        """List every RF state that ``measure`` may command, without any I/O."""

    @abstractmethod
    def measure(self, session: Session, settings: S) -> Iterator[Measured]:
        """Do the measurement and yield its readings as they come."""

    def misfits(self, settings: S, bench: Bench) -> Iterable[tuple[str, str]]:
        """Yield ``(setting, sentence)`` for what cannot work on this bench, found without any I/O."""
        return ()

    def sources(self, settings: S, bench: Bench) -> Iterable[SourceExposure]:
        """List every setting of a signal generator that ``measure`` may command, without any I/O."""
        return ()

    def yields(self, settings: S) -> Iterable[tuple[str, str]]:
        """Yield ``(name, phase)`` of each reading that there can be with these settings; all by default.

        The phase is empty for a reading without phases.
        """
        for spec in self.readings:
            for phase in spec.phases or ("",):
                yield spec.name, phase

    def reads(self, settings: S, bench: Bench) -> Iterable[Band]:
        """Yield what is read of the radio through a path: there its calibration must hold.

        By default the radio's bandwidth around the carrier of every state with RF on.
        """
        half_hz = bench.radio.bandwidth_hz / 2
        states = [exposure.state for exposure in self.envelope(settings, bench) if exposure.state.rf_on]
        for channel, hz, pad_db in dict.fromkeys((s.channel, s.carrier_hz, s.pad_db) for s in states):
            yield Band(channel=channel, low_hz=hz - half_hz, high_hz=hz + half_hz, pad_db=pad_db)

    def rests_on(self, settings: S, bench: Bench) -> tuple[str, ...]:
        """Return the names of the instruments on whose calibration the readings rest with these settings.

        By default the first of each class that is needed, and with an analyser what stands in the path: of
        the channel that the settings name, else of every channel.
        """
        classes = dict.fromkeys(need.instrument_class for need in self.needs)
        names = [spec.name for each in classes for spec in bench.of_class(each)[:1]]
        if "signal_analyser" in classes:
            channel = getattr(settings, "channel", None)
            for path in map(bench.path, bench.channels if channel is None else (channel,)):
                names += path.instruments
        return tuple(dict.fromkeys(names))

    def least_budget(self, name: str, settings: S, bench: Bench, nearest: float) -> Budget | None:
        """Return the least budget that a reading can have, by settings and bench alone, without any I/O.

        ``nearest`` is the value nearest to zero of those that a limit allows. ``None`` where only the
        measurement tells.
        """
        return None

    def calibrates(self, settings: S, bench: Bench) -> Calibrates | None:
        """Return what the readings are a calibration of, ``None`` where they are none."""
        return None

    @classmethod
    def spec(cls, name: str) -> ReadingSpec:
        """Return what is declared under ``name``; ``KeyError`` if nothing is."""
        return {spec.name: spec for spec in cls.readings}[name]

    @classmethod
    def describe(cls) -> dict[str, Any]:
        """Return the declaration as plain data for the manual and for editors."""
        return {
            "name": cls.name,
            "summary": cls.summary,
            "readings": [vars(spec) for spec in cls.readings],
            "settings": cls.settings_model.model_json_schema(),
        }
