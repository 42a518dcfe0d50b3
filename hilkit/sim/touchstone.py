"""Two-port networks from Touchstone version 1 files, read without any help from the side that measures."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hilkit.errors import FileProblems, Problem

__all__ = ["Network", "read_network"]

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

UNITS = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}


@dataclass(frozen=True, kw_only=True)
class Network:
    """A measured or tabulated two-port; ``s`` has the shape (points, 2, 2)."""

    frequency_hz: Floats
    s: Complex

    def at(self, frequency_hz: Floats, ports: tuple[int, int] = (1, 2)) -> Complex:
        """Return the S-parameters at other frequencies, port ``ports[0]`` first.

        Magnitude and unwrapped phase are interpolated, the ends are held: the truth exists outside the table
        too.
        """
        magnitude, phase = (np.empty((len(frequency_hz), 2, 2)) for _ in range(2))
        size, angle = self._polar
        order = [port - 1 for port in ports]
        for row in range(2):
            for column in range(2):
                one = (slice(None), order[row], order[column])
                magnitude[:, row, column] = np.interp(frequency_hz, self.frequency_hz, size[one])
                phase[:, row, column] = np.interp(frequency_hz, self.frequency_hz, angle[one])
        return np.asarray(magnitude * np.exp(1j * phase), dtype=np.complex128)

    @cached_property
    def _polar(self) -> tuple[Floats, Floats]:
        """Magnitude and unwrapped phase in radians of every point."""
        return np.abs(self.s), np.unwrap(np.angle(self.s), axis=0)


def read_network(path: Path) -> Network:
    """Read a two-port Touchstone file (MA, DB or RI); ``FileProblems`` if it is not one."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise _problem(path, 1, "", f"this network file cannot be read: {error}") from None
    unit, form, impedance = 1e9, "MA", "50"
    numbers: list[float] = []
    for count, line in enumerate(lines, start=1):
        content = line.split("!", 1)[0].strip()
        if content.startswith("#"):
            unit, form, impedance = _options(path, count, line, content)
        elif content:
            try:
                numbers.extend(float(word) for word in content.split())
            except ValueError:
                raise _problem(path, count, line, "a line of numbers is needed here") from None
    if not numbers or len(numbers) % 9 or float(impedance) != 50:
        raise _problem(path, 1, lines[0] if lines else "", "this is not a two-port network at 50 ohm")
    table = np.array(numbers).reshape(-1, 9)
    values = _complex(table[:, 1::2], table[:, 2::2], form)
    # The order of a two-port row is S11 S21 S12 S22, unlike that of all larger networks.
    return Network(frequency_hz=table[:, 0] * unit, s=values.reshape(-1, 2, 2).transpose(0, 2, 1))


def _options(path: Path, count: int, line: str, content: str) -> tuple[float, str, str]:
    words = content[1:].upper().split()
    unit = next((UNITS[word] for word in words if word in UNITS), 1e9)
    form = next((word for word in words if word in ("MA", "DB", "RI")), "MA")
    impedance = words[words.index("R") + 1] if "R" in words[:-1] else "50"
    if any(word in words for word in ("Y", "Z", "G", "H")):
        raise _problem(path, count, line, "S-parameters are needed here")
    return unit, form, impedance


def _complex(first: Floats, second: Floats, form: str) -> Complex:
    if form == "RI":
        return np.asarray(first + 1j * second, dtype=np.complex128)
    magnitude = 10 ** (first / 20) if form == "DB" else first
    return np.asarray(magnitude * np.exp(1j * np.deg2rad(second)), dtype=np.complex128)


def _problem(path: Path, line: int, text: str, message: str) -> FileProblems:
    problem = Problem(
        file=str(path),
        line=line,
        column=1,
        message=message,
        line_text=text,
        allowed="a Touchstone 1 file of two ports with S-parameters at 50 ohm",
    )
    return FileProblems([problem])
