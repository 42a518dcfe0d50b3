"""What a bench is, once its file has been read and found free of mistakes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any, Literal

from hilkit.bench.accuracy import AccuracyFigure, InstrumentAccuracy, figure_of
from hilkit.bench.path import Path, PathError, frequency_text
from hilkit.bench.watch import WatchSpec
from hilkit.readings import Budget, BudgetLine

if TYPE_CHECKING:
    from hilkit.bench.calibrated import PlaneSpec
    from hilkit.bench.connected import Connected
    from hilkit.bench.correlations import StatedCorrelation
    from hilkit.bench.interlocks import Interlock
    from hilkit.bench.receive import ReceivePath
    from hilkit.bench.supplies import SecondMeans, SupplyRail
    from hilkit.clock import Clock
    from hilkit.files import Lab
    from hilkit.instruments import Dialect, Transcript

__all__ = ["DEFAULT_MARGIN_DB", "Bench", "InstrumentSpec", "RadioSpec", "RampSpec"]

DEFAULT_MARGIN_DB = 3.0
"""Distance in dB kept between a predicted level and a rating, unless the bench file gives ``margin``."""


@dataclass(frozen=True, kw_only=True)
class InstrumentSpec:
    """One instrument as the bench file describes it; the radio is one too, under the name ``radio``.

    ``resource`` is the canonical VISA resource name, empty where ``command`` (an argument list) starts a
    process. ``enr`` is the excess noise ratio in dB by frequency in Hz of a noise source, ``cold_c`` its
    temperature when it is off. ``model`` and ``serial`` are what is expected, empty where anything goes.
    """

    name: str
    driver: str
    instrument_class: str
    dialect: Dialect
    resource: str = ""
    command: tuple[str, ...] = ()
    model: str = ""
    serial: str = ""
    calibration_due: dt.date | None = None
    accuracy: InstrumentAccuracy | None = None
    enr: tuple[tuple[float, float], ...] = ()
    cold_c: float = 23.0

    def figure(self, key: str) -> AccuracyFigure | None:
        """Return the figure of accuracy that the bench file gives under ``key``, ``None`` without one."""
        entry = getattr(self.accuracy, key) if self.accuracy is not None else None
        return figure_of(entry, f"bench file: {self.name} {key.replace('_', ' ')}")

    @property
    def address(self) -> str:
        """The resource name, or the command line."""
        return self.resource or " ".join(self.command)


@dataclass(frozen=True, kw_only=True)
class RadioSpec:
    """What the bench file says of the radio.

    ``channels`` maps a channel's number to the name of its path. ``max_level_dbm`` is the highest level that
    leaves a port at 0 dB transmit attenuation. ``bands_hz`` are the carriers allowed, ``bandwidth_hz`` is
    usable around each. ``papr_db`` is the highest peak-to-average ratio of what it plays, ``None`` where
    nobody has said.
    """

    channels: Mapping[int, str]
    max_level_dbm: float
    bands_hz: tuple[tuple[float, float], ...]
    bandwidth_hz: float
    papr_db: float | None = None

    def carrier_allowed(self, carrier_hz: float) -> bool:
        """Return whether the radio may be tuned there."""
        return any(low <= carrier_hz <= high for low, high in self.bands_hz)

    @property
    def bands_text(self) -> str:
        """The allowed carriers in words."""
        return " or ".join(f"{frequency_text(low)} to {frequency_text(high)}" for low, high in self.bands_hz)


@dataclass(frozen=True, kw_only=True)
class RampSpec:
    """How the first RF of a combination is raised, in steps of at most ``step_db``.

    ``above_db`` and ``below_db`` are how far the level read may lie from the predicted one, ``None`` where
    the bench file leaves it to what it knows of its losses.
    """

    step_db: float = 12.0
    above_db: float | None = None
    below_db: float | None = None


@dataclass(frozen=True, kw_only=True)
class Bench:
    """Everything that stands on the table, without any connection to it.

    ``ratings`` gives the highest average level in dBm that each node stands, ``peak_ratings`` the highest
    peak where the file gives one, ``margin_db`` the distance kept from both.
    ``reference`` is the frequency reference of the analyser: ``external`` or ``internal``;
    ``reference_accuracy`` what is known of the one that feeds the instruments. ``simulation``
    names the simulated profile, ``None`` for a real bench; ``rehearsed`` says that it is played by
    counterparts made from this very file. ``text`` is the file as read, for the record.
    ``calibration_policy`` says what becomes of a run whose path has no calibration in date over its
    frequencies, ``None`` where none is asked for. ``planes`` are where a person connects something.
    ``correlations`` are those that are stated between two figures of the file.
    ``watch`` says how a run on it is watched.
    ``interlocks`` must hold while RF is on; ``hot_switching`` names what may move meanwhile, ``radio`` for
    its carrier.
    ``rails`` are the outputs of supplies in the order of switching on, ``second_means`` what cuts RF where
    the radio does not obey, ``off_level_dbm`` the highest level at a port that counts as off.
    ``receive_paths`` lead from generators and noise sources to the receive ports.
    """

    name: str
    file: FilePath
    text: str
    instruments: Mapping[str, InstrumentSpec]
    radio: RadioSpec
    radio_spec: InstrumentSpec
    paths: Mapping[str, Path]
    ratings: Mapping[str, float] = field(default_factory=dict)
    peak_ratings: Mapping[str, float] = field(default_factory=dict)
    margin_db: float = DEFAULT_MARGIN_DB
    reference: Literal["external", "internal"] = "external"
    simulation: str | None = None
    rehearsed: bool = False
    reference_accuracy: AccuracyFigure | None = None
    calibration_days: int | None = None
    calibration_policy: Literal["refuse", "warn"] | None = None
    correlations: tuple[StatedCorrelation, ...] = ()
    planes: Mapping[str, PlaneSpec] = field(default_factory=dict)
    watch: WatchSpec = field(default_factory=WatchSpec)
    interlocks: Mapping[str, Interlock] = field(default_factory=dict)
    ramp: RampSpec = RampSpec()
    hot_switching: frozenset[str] = frozenset()
    rails: tuple[SupplyRail, ...] = ()
    second_means: tuple[SecondMeans, ...] = ()
    off_level_dbm: float | None = None
    receive_paths: Mapping[str, ReceivePath] = field(default_factory=dict)

    @property
    def instrument_names(self) -> tuple[str, ...]:
        """Names of the instruments, the radio not among them."""
        return tuple(self.instruments)

    @property
    def channels(self) -> tuple[int, ...]:
        """Numbers of the radio's channels."""
        return tuple(self.radio.channels)

    def path(self, channel: int) -> Path:
        """Return the path of a radio channel; ``PathError`` for a channel that is not there."""
        if channel not in self.radio.channels:
            known = ", ".join(str(number) for number in self.radio.channels)
            raise PathError(f"{self.name} has no channel {channel}", next_step=f"channels are {known}")
        return self.paths[self.radio.channels[channel]]

    def receive_path(self, channel: int) -> ReceivePath:
        """Return the receive path of a channel; ``PathError`` where the bench file has none."""
        for path in self.receive_paths.values():
            if path.channel == channel:
                return path
        known = ", ".join(str(path.channel) for path in self.receive_paths.values()) or "none"
        raise PathError(
            f"{self.name} has no receive path for channel {channel}",
            next_step=f"channels with one are {known}; describe it under receive_paths",
        )

    def budget(self, unit: str, lines: Sequence[BudgetLine]) -> Budget:
        """Return the budget of lines made of this bench's figures, with the correlations between them."""
        from hilkit.bench.correlations import correlated

        return correlated(unit, lines, self.correlations)

    def of_class(self, instrument_class: str) -> tuple[InstrumentSpec, ...]:
        """Return the instruments of one class, such as ``step_attenuator``; ``radio`` gives the radio."""
        everything = (*self.instruments.values(), self.radio_spec)
        return tuple(spec for spec in everything if spec.instrument_class == instrument_class)

    def with_resources(self, resources: Mapping[str, str]) -> Bench:
        """Return the same bench, its instruments (and ``radio``) at other resources and none simulated."""

        def moved(spec: InstrumentSpec) -> InstrumentSpec:
            return replace(spec, resource=resources.get(spec.name, spec.resource))

        return replace(
            self,
            instruments={name: moved(spec) for name, spec in self.instruments.items()},
            radio_spec=moved(self.radio_spec),
            simulation=None,
        )

    def connect(
        self, resource_manager: Any, clock: Clock, transcript: Transcript, lab: Lab, *, prepare: bool = True
    ) -> Connected:
        """Open every instrument, check who answers, prepare the analyser; closed as a context.

        Raises ``LinkError`` where nothing answers and ``IdentityError`` where another instrument does;
        whatever was open by then is closed. ``prepare=False`` leaves every setting as it is.
        """
        from hilkit.bench.connected import Connected

        return Connected.open(self, resource_manager, clock, transcript, lab, prepare=prepare)
