"""Two-ports in a row between a radio port and the analyser, with every reflection between their mismatches.

S-parameters are arrays of shape (n, 2, 2) over n frequencies, 50 ohm, port 1 towards the radio. The transfer
is the wave that travels into the analyser over the wave that the radio would send into a matched load;
multiple reflections between source, elements and load are in it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hilkit.quantities import Frequency, Ratio
from hilkit.sim.profile import (
    AmplifierElement,
    CableElement,
    Element,
    LossElement,
    MatchedElement,
    NetworkElement,
    RelayElement,
    StepAttenuatorElement,
)
from hilkit.sim.touchstone import Network, read_network

__all__ = ["Branch", "cascade", "over_frequency", "reflection", "transfer", "two_port"]

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]


def reflection(return_loss_db: float, phase_deg: float) -> complex:
    """Return a reflection coefficient."""
    return complex(10 ** (-return_loss_db / 20) * np.exp(1j * math.radians(phase_deg)))


def two_port(gain: Complex, match: complex, match_out: complex | None = None) -> Complex:
    """Return a reciprocal two-port of transmission ``gain`` (n) and a reflection at each end.

    Without ``match_out`` both ends have equal return loss, tied as in a network without loss (the columns are
    orthogonal), and the transmission is limited to what the reflections leave, so that no energy is made.
    With it, each end has its own, turned at the far end by twice the delay; that no energy is made is then up
    to whoever chose the numbers.
    """
    network = np.empty((len(gain), 2, 2), dtype=np.complex128)
    size = np.abs(gain)
    direction = gain / np.maximum(size, 1e-300)
    most = math.sqrt(1 - max(abs(match), abs(match_out or 0.0)) ** 2)
    network[:, 0, 1] = network[:, 1, 0] = np.minimum(size, most) * direction
    network[:, 0, 0] = match
    network[:, 1, 1] = (-match.conjugate() if match_out is None else match_out) * direction**2
    return network


def cascade(first: Complex, second: Complex) -> Complex:
    """Return two two-ports in a row: the reflections between them summed to infinity."""
    loop = 1 / (1 - first[:, 1, 1] * second[:, 0, 0])
    joined = np.empty_like(first)
    joined[:, 0, 0] = first[:, 0, 0] + first[:, 0, 1] * first[:, 1, 0] * second[:, 0, 0] * loop
    joined[:, 1, 1] = second[:, 1, 1] + second[:, 0, 1] * second[:, 1, 0] * first[:, 1, 1] * loop
    joined[:, 1, 0] = first[:, 1, 0] * second[:, 1, 0] * loop
    joined[:, 0, 1] = first[:, 0, 1] * second[:, 0, 1] * loop
    return joined


def transfer(network: Complex, source: complex, load: complex) -> Complex:
    """Return the wave into the load over the wave of the source, both in sqrt(W)."""
    s11, s12, s21, s22 = (network[:, i, j] for i, j in ((0, 0), (0, 1), (1, 0), (1, 1)))
    return np.asarray(
        s21 / ((1 - s11 * source) * (1 - s22 * load) - s12 * s21 * source * load), dtype=np.complex128
    )


class Branch:
    """The elements of one path, turned into S-parameters on demand; ``relays`` and ``pads`` name what moves
    on it.
    """

    def __init__(self, elements: Sequence[Element], folder: Path) -> None:
        self._elements = tuple(elements)
        self._networks: dict[str, Network] = {
            element.file: read_network(folder / element.file)
            for element in elements
            if isinstance(element, NetworkElement)
        }
        self.relays = tuple(e.relay for e in self._elements if isinstance(e, RelayElement))
        self.pads = tuple(e.pad for e in self._elements if isinstance(e, StepAttenuatorElement))

    @property
    def count(self) -> int:
        """Number of elements."""
        return len(self._elements)

    def network(
        self,
        frequency_hz: Floats,
        *,
        pad_loss_db: Mapping[str, Floats],
        closed: Mapping[str, frozenset[int]],
        first: int | None = None,
    ) -> Complex:
        """Return the S-parameters of all elements in a row, or of the ``first`` ones.

        ``pad_loss_db`` gives the true loss of each step attenuator over ``frequency_hz`` beyond its insertion
        loss; ``closed`` the channels that each relay has closed.
        """
        joined = np.zeros((len(frequency_hz), 2, 2), dtype=np.complex128)
        joined[:, 0, 1] = joined[:, 1, 0] = 1.0
        for element in self._elements[:first]:
            joined = cascade(joined, self._element(element, frequency_hz, pad_loss_db, closed))
        return joined

    def _element(
        self,
        element: Element,
        frequency_hz: Floats,
        pad_loss_db: Mapping[str, Floats],
        closed: Mapping[str, frozenset[int]],
    ) -> Complex:
        if isinstance(element, NetworkElement):
            return _weakened(self._networks[element.file].at(frequency_hz, element.ports), element.excess.db)
        if isinstance(element, AmplifierElement):
            return _amplifier(element, frequency_hz)
        if isinstance(element, RelayElement):
            loss = _relay_loss(element, frequency_hz, closed[element.relay])
        elif isinstance(element, StepAttenuatorElement):
            loss = over_frequency(element.loss, frequency_hz) + pad_loss_db[element.pad]
        elif isinstance(element, CableElement):
            giga = frequency_hz / 1e9
            loss = element.conductor.db * np.sqrt(giga) + element.dielectric.db * giga
        else:
            assert isinstance(element, LossElement)
            loss = over_frequency(element.loss, frequency_hz)
        return _lossy(element, frequency_hz, loss)


def _weakened(network: Complex, excess_db: float) -> Complex:
    """Return a network whose transmission is lower, its reflections as they were."""
    network[:, 0, 1] *= 10 ** (-excess_db / 20)
    network[:, 1, 0] *= 10 ** (-excess_db / 20)
    return network


def _lossy(element: MatchedElement, frequency_hz: Floats, loss_db: Floats) -> Complex:
    gain = 10 ** (-loss_db / 20) * np.exp(-2j * np.pi * frequency_hz * element.delay.s)
    far = element.match_out
    return two_port(
        gain,
        reflection(element.match.db, element.match_phase.deg),
        None if far is None else reflection(far.db, element.match_out_phase.deg),
    )


def _amplifier(element: AmplifierElement, frequency_hz: Floats) -> Complex:
    turn = np.exp(-2j * np.pi * frequency_hz * element.delay.s)
    network = np.empty((len(frequency_hz), 2, 2), dtype=np.complex128)
    network[:, 1, 0] = 10 ** (over_frequency(element.gain, frequency_hz) / 20) * turn
    network[:, 0, 1] = 10 ** (-element.isolation.db / 20) * turn
    network[:, 0, 0] = network[:, 1, 1] = reflection(element.match.db, element.match_phase.deg)
    return network


def _relay_loss(element: RelayElement, frequency_hz: Floats, closed: frozenset[int]) -> Floats:
    """Loss of the wanted way; an open channel lets ``isolation`` through, two closed ones share the power."""
    if element.close not in closed:
        return np.full(len(frequency_hz), element.isolation.db)
    shared = 20 * math.log10((len(closed) + 1) / 2)
    return over_frequency(element.loss, frequency_hz) + shared


def over_frequency(loss: Ratio | dict[Frequency, Ratio], frequency_hz: Floats) -> Floats:
    """Return a ratio at frequencies in Hz: linear between the points of a table, constant outside."""
    if isinstance(loss, Ratio):
        return np.full(len(frequency_hz), loss.db)
    points = sorted((frequency.hz, ratio.db) for frequency, ratio in loss.items())
    return np.interp(frequency_hz, [f for f, _ in points], [db for _, db in points])
