"""How much a port reflects: from a VSWR, or from the reflection parameters of a Touchstone file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hilkit.bench.accuracy import InstrumentAccuracy, RadioAccuracy
from hilkit.bench.loss import touchstone_magnitude, touchstone_phase
from hilkit.judgement.correlation import LIGHT_M_S

if TYPE_CHECKING:
    from hilkit.bench.model import ElementEntry
    from hilkit.files import Lab

__all__ = ["PortReflection", "of_vswr", "reflections_of"]

Floats = NDArray[np.float64]

_AROUND_HZ = 30e6
"""The turn of a measured phase is taken over this much to both sides: the lines of a tone lie within."""


@dataclass(frozen=True, kw_only=True)
class PortReflection:
    """The magnitude of a reflection coefficient over frequency.

    ``known`` is true where the magnitude is a measured value, false where it is the most that it may be. How
    fast the phase turns with frequency is known where the reflection was measured: ``phase_rad``, unwrapped.
    What it is counts as unknown, since the lengths around it are not known to a fraction of a wavelength.
    """

    frequency_hz: Floats
    magnitude: Floats
    known: bool
    source: str
    phase_rad: Floats | None = None

    @classmethod
    def constant(cls, vswr: float, *, known: bool, source: str) -> PortReflection:
        """Return the reflection of a VSWR that holds at every frequency: (VSWR - 1)/(VSWR + 1)."""
        magnitude = np.array([(vswr - 1) / (vswr + 1)])
        return cls(frequency_hz=np.zeros(1), magnitude=magnitude, known=known, source=source)

    def at(self, frequency_hz: float) -> float:
        """Return the magnitude at one frequency."""
        return float(np.interp(frequency_hz, self.frequency_hz, self.magnitude))

    def length_m(self, near_hz: float) -> float | None:
        """Return how far behind its plane it seems to reflect near a frequency, from the turn of its phase.

        That is the electrical length of a line whose end would turn the phase as fast, 4 pi L / c; of a
        resonant element it may be more or less than the element is long. ``None`` where the phase was not
        measured, or at one frequency only.
        """
        if self.phase_rad is None or len(self.frequency_hz) < 2:
            return None
        low, high = float(self.frequency_hz[0]), float(self.frequency_hz[-1])
        around = min(_AROUND_HZ, (high - low) / 2)
        middle = min(max(near_hz, low + around), high - around)  # outside the file as at its nearest end
        ends = np.array([middle - around, middle + around])
        phase = np.interp(ends, self.frequency_hz, self.phase_rad)
        return float((phase[0] - phase[1]) / (ends[1] - ends[0]) * LIGHT_M_S / (4 * np.pi))


def of_vswr(accuracy: InstrumentAccuracy | RadioAccuracy | None, owner: str) -> PortReflection | None:
    """Return what is known of the port of an instrument or of the radio."""
    if accuracy is None or accuracy.vswr is None:
        return None
    return PortReflection.constant(
        accuracy.vswr, known=accuracy.vswr_known, source=f"bench file: VSWR of {owner}"
    )


def reflections_of(
    entry: ElementEntry, label: str, lab: Lab, folder: FilePath
) -> tuple[PortReflection | None, PortReflection | None]:
    """Return the reflections of the two ends of an element: as given, else from its Touchstone file."""
    known = bool(entry.vswr_known)
    source = f"bench file: VSWR of {label}"
    ends = [
        None if vswr is None else PortReflection.constant(vswr, known=known, source=source)
        for vswr in (entry.vswr_in, entry.vswr_out)
    ]
    if entry.kind == "touchstone" and None in ends:
        file = lab.data_file(str(entry.file), beside=folder)
        out_port, in_port = entry.ports or (2, 1)
        for place, port in enumerate((in_port, out_port)):
            ends[place] = ends[place] or _of_file(file, port)
    return ends[0], ends[1]


def _of_file(file: FilePath, port: int) -> PortReflection:
    frequency_hz, magnitude = touchstone_magnitude(file, to_port=port, from_port=port)
    return PortReflection(
        frequency_hz=frequency_hz,
        magnitude=magnitude,
        known=True,
        source=f"S{port}{port} of {file.name}",
        phase_rad=touchstone_phase(file, to_port=port, from_port=port),
    )
