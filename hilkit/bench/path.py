"""A path from a radio port to the analyser: elements in series, nodes between them, the loss to each."""

from __future__ import annotations

import copy
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hilkit.bench.accuracy import AccuracyFigure
from hilkit.bench.calibration import PathCalibration
from hilkit.bench.loss import Loss
from hilkit.bench.reflection import PortReflection
from hilkit.errors import BenchError

__all__ = ["Element", "Path", "PathError", "frequency_text"]


class PathError(BenchError):
    """The path has no loss at this frequency, or lacks the node or element that was asked for."""


@dataclass(frozen=True, kw_only=True)
class Element:
    """One element of a path.

    ``loss`` includes the sign: a gain is a negative loss. ``uncertainty_db`` is how far the true loss may lie
    from it, and ``uncertainty`` says how it may lie there. ``setting`` is the accuracy of a step attenuator's
    settings, ``repeatability`` that of contacts that move. ``reflection_in`` and ``reflection_out`` belong to
    the ends towards radio and analyser. ``length_m`` is the electrical length: what light travels in the time
    that the signal takes. Each is ``None`` where nobody has said. ``instrument`` names the step attenuator or
    switch that this element is; ``close`` are the switch channels to close.
    """

    label: str
    loss: Loss
    uncertainty_db: float = 0.0
    uncertainty: AccuracyFigure | None = None
    setting: AccuracyFigure | None = None
    repeatability: AccuracyFigure | None = None
    reflection_in: PortReflection | None = None
    reflection_out: PortReflection | None = None
    length_m: float | None = None
    instrument: str = ""
    close: tuple[int, ...] = ()
    is_pad: bool = False


class Path:
    """Elements in series, in the order in which the signal passes them.

    ``nodes`` are the named points in that order: the radio port is the first, the analyser input the last.
    The losses add in dB: the elements count as matched; what mismatch between two of them may add is in the
    uncertainty (``hilkit.bench.path_budget``). ``source`` and ``load`` are the reflections of the radio port
    and of the analyser.

    A calibration replaces the loss of the elements from port to analyser; they still give that to each node
    between. With ``falls_back`` their loss also counts where no calibration reaches.
    """

    def __init__(
        self,
        name: str,
        elements: Sequence[Element],
        nodes: Sequence[tuple[str, int]],
        *,
        source: PortReflection | None = None,
        load: PortReflection | None = None,
    ) -> None:
        """Each node is its name and the number of elements before it."""
        self.name = name
        self.source, self.load = source, load
        self.falls_back = False
        self.calibrations: tuple[PathCalibration, ...] = ()
        self.elements = tuple(elements)
        self.nodes = tuple(node for node, _ in nodes)
        self._before = dict(nodes)
        self._least: dict[tuple[str, float, float, frozenset[str]], float] = {}

    def __repr__(self) -> str:
        return f"Path({self.name!r}: {' > '.join(self.nodes)})"

    def add_calibration(self, calibration: PathCalibration, *, falls_back: bool) -> None:
        """Put a calibration in force beside those for other settings of the step attenuator."""
        self.falls_back = falls_back
        self.calibrations = (*self.calibrations, calibration)
        self._least.clear()

    @property
    def coverage_hz(self) -> tuple[float, float]:
        """Lowest and highest frequency in Hz at which the path has a loss."""
        known = [element.loss.coverage_hz for element in self.elements]
        if self.calibrations and not self.falls_back:
            known = [calibration.coverage_hz for calibration in self.calibrations]
        lows, highs = zip(*known, strict=True)
        return max(lows), min(highs)

    def between(self, source: PortReflection | None, load: PortReflection | None) -> Path:
        """Return the same path with something else at its two ends."""
        path = copy.copy(self)
        path.source, path.load = source, load
        return path

    def calibration(self, frequency_hz: ArrayLike, *, pad_db: float = 0.0) -> PathCalibration | None:
        """Return the calibration that counts at some frequencies in Hz, ``None`` where the elements do.

        Of several that of the nearest pad setting. ``PathError`` for a frequency outside its grid, unless
        the bench file lets the elements stand in.
        """
        nearest = self.nearest_calibration(pad_db)
        if nearest is None:
            return None
        lowest, highest = float(np.min(frequency_hz)), float(np.max(frequency_hz))
        if nearest.covers(lowest, highest):
            return nearest
        if self.falls_back:
            return None
        low, high = nearest.coverage_hz
        outside = lowest if lowest < low else highest
        raise PathError(
            f"path {self.name} is not calibrated at {frequency_text(outside)}: {nearest.file} goes from "
            f"{frequency_text(low)} to {frequency_text(high)}",
            next_step="calibrate it over the frequencies in use, or let the elements' losses stand in with "
            "calibration_policy: warn in the bench file",
        )

    def nearest_calibration(self, pad_db: float) -> PathCalibration | None:
        """Return that of the nearest pad setting, whatever its grid; ``None`` where the path has none."""
        return min(self.calibrations, key=lambda each: abs(each.pad_db - pad_db), default=None)

    @cached_property
    def instruments(self) -> tuple[str, ...]:
        """Names of the step attenuator and the switches in this path."""
        return tuple(dict.fromkeys(element.instrument for element in self.elements if element.instrument))

    @cached_property
    def pad_instrument(self) -> str | None:
        """Name of the step attenuator in this path, ``None`` without one."""
        return next((element.instrument for element in self.elements if element.is_pad), None)

    @cached_property
    def switch_positions(self) -> dict[str, tuple[int, ...]]:
        """For each switch in this path the channels that have to be closed, all others open."""
        positions: dict[str, tuple[int, ...]] = {}
        for element in self.elements:
            if element.close:
                positions[element.instrument] = positions.get(element.instrument, ()) + element.close
        return positions

    def nodes_before_switch(self, switch: str) -> tuple[str, ...]:
        """Return the nodes that the signal reaches even when this switch is open."""
        place = next(i for i, element in enumerate(self.elements) if element.instrument == switch)
        return tuple(node for node in self.nodes if self._before[node] <= place)

    def place(self, node: str) -> int:
        """Return how many elements lie before a node; ``PathError`` for one that is not there."""
        return len(self._up_to(node))

    def losses_db(self, frequency_hz: ArrayLike, *, pad_db: float = 0.0) -> NDArray[np.float64]:
        """Return the loss in dB from the radio port to the analyser at each frequency in Hz.

        ``pad_db`` is the nominal setting of the step attenuator; its residual loss is in the path. Where a
        calibration does not reach, the elements count if the bench file lets them.
        Raises ``PathError`` for a frequency at which an element has no loss.
        """
        axis = np.asarray(frequency_hz, dtype=np.float64)
        calibration = (
            self.nearest_calibration(pad_db) if self.falls_back else self.calibration(axis, pad_db=pad_db)
        )
        if calibration is None:
            return self._sum(self.elements, axis, pad_db)
        low, high = calibration.coverage_hz
        outside = (axis < low) | (axis > high)
        losses = calibration.at(axis, pad_db)
        if outside.any():
            losses = np.array(losses)
            losses[outside] = self._sum(self.elements, axis[outside], pad_db)
        return losses

    def loss_db(self, frequency_hz: float, *, pad_db: float = 0.0) -> float:
        """Return the loss in dB from the radio port to the analyser at one frequency; see ``losses_db``."""
        return float(self.losses_db(frequency_hz, pad_db=pad_db))

    def elements_loss_db(self, frequency_hz: float, *, pad_db: float = 0.0) -> float:
        """Return the loss in dB of all elements together, whatever a calibration says."""
        return float(self._sum(self.elements, np.asarray(float(frequency_hz)), pad_db))

    def element_loss_db(self, element: Element, frequency_hz: float, *, pad_db: float = 0.0) -> float:
        """Return the loss in dB of one element at one frequency, with the setting of a step attenuator."""
        return float(self._sum((element,), np.asarray(float(frequency_hz)), pad_db))

    def loss_to(self, node: str, frequency_hz: float, *, pad_db: float = 0.0) -> float:
        """Return the loss in dB from the radio port to a node."""
        elements = self._up_to(node)
        if len(elements) == len(self.elements):
            return self.loss_db(frequency_hz, pad_db=pad_db)
        return float(self._sum(elements, np.asarray(float(frequency_hz)), pad_db))

    def min_loss_to(
        self,
        node: str,
        frequency_hz: float,
        *,
        pad_db: float = 0.0,
        bandwidth_hz: float = 0.0,
        unknown: frozenset[str] = frozenset(),
    ) -> float:
        """Return the least loss in dB to a node that the signal may meet: the input of a worst-case level.

        The lowest of each element over ``bandwidth_hz`` around the frequency (as far as its data go), less
        the stated uncertainty of each; to the analyser not more than a calibration found, less twice its
        standard uncertainty. Switches in ``unknown`` positions count as 0 dB.
        """
        key = (node, float(frequency_hz), bandwidth_hz, unknown)
        if key not in self._least:
            elements = self._up_to(node)
            of_each = [self._least_of(each, frequency_hz, bandwidth_hz) for each in elements]
            between = [db for each, db in zip(elements, of_each, strict=True) if each.instrument in unknown]
            saved = sum(max(0.0, db) for db in between)
            least = [sum(of_each) - saved]
            if len(elements) == len(self.elements):
                ends = frequency_hz - bandwidth_hz / 2, frequency_hz + bandwidth_hz / 2
                least += [calibration.least_db(*ends) - saved for calibration in self.calibrations]
            self._least[key] = min(least)
        has_pad = any(element.is_pad for element in self._up_to(node))
        return self._least[key] + (pad_db if has_pad else 0.0)

    def _least_of(self, element: Element, frequency_hz: float, bandwidth_hz: float) -> float:
        self._covered(element, np.asarray(frequency_hz))
        low, high = element.loss.coverage_hz
        half = bandwidth_hz / 2
        least = element.loss.least(max(low, frequency_hz - half), min(high, frequency_hz + half))
        return least - element.uncertainty_db

    def _up_to(self, node: str) -> tuple[Element, ...]:
        if node not in self._before:
            raise PathError(
                f"path {self.name} has no node {node!r}", next_step=f"nodes are {', '.join(self.nodes)}"
            )
        return self.elements[: self._before[node]]

    def _sum(
        self, elements: Iterable[Element], frequency_hz: NDArray[np.float64], pad_db: float
    ) -> NDArray[np.float64]:
        total = np.zeros(frequency_hz.shape)
        for element in elements:
            self._covered(element, frequency_hz)
            total = total + element.loss.at(frequency_hz) + (pad_db if element.is_pad else 0.0)
        return total

    def _covered(self, element: Element, frequency_hz: NDArray[np.float64]) -> None:
        low, high = element.loss.coverage_hz
        lowest, highest = float(np.min(frequency_hz)), float(np.max(frequency_hz))
        if low <= lowest and highest <= high:
            return
        outside = lowest if lowest < low else highest
        raise PathError(
            f"path {self.name} has no loss at {frequency_text(outside)}: {element.label} is known from "
            f"{frequency_text(low)} to {frequency_text(high)}",
            next_step="measure this element over the frequencies in use and put them into the bench file; "
            "hilkit does not extrapolate",
        )


def frequency_text(frequency_hz: float) -> str:
    """Return a frequency in Hz as a text for people, such as ``1.8425 GHz``."""
    for factor, unit in ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz")):
        if abs(frequency_hz) >= factor:
            return f"{round(frequency_hz / factor, 9):.10g} {unit}"
    return f"{frequency_hz:g} Hz"
