"""The frequency of a line from a narrow trace.

The resolution filter is symmetrical, and near its top a parabola in decibels (exactly, for a Gaussian). The
centre is that of an even polynomial fitted under a window that is moved until it sits symmetrically on the
line, so that a filter of another symmetrical shape shifts nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.analysis.averages import line_sd_db
from hilkit.errors import MeasurementError
from hilkit.readings import Trace

__all__ = ["LineCentre", "line_centre"]

Array = NDArray[np.float64]

_HALF_WINDOW_RBW = 1.0
_MOST_SPACING_RBW = 0.5


@dataclass(frozen=True, kw_only=True)
class LineCentre:
    """A line: ``frequency_hz`` on the axis of the trace with its scatter ``sd_hz``, and the level at its
    top."""

    frequency_hz: float
    sd_hz: float
    level_dbm: float


def line_centre(trace: Trace, *, near_hz: float | None = None, within_hz: float | None = None) -> LineCentre:
    """Return centre and top of the strongest line (of those within ``within_hz`` of ``near_hz``, if given).

    ``sd_hz`` is statistical: the larger of what the fit leaves over and what the samples behind each point
    allow, with the lowest point of the trace taken as its floor. It holds no reference and no axis error.
    ``MeasurementError`` if the points are more than half an RBW apart or the line is cut off by the end of
    the trace.
    """
    if trace.spacing_hz > _MOST_SPACING_RBW * trace.rbw_hz * (1 + 1e-9):
        raise MeasurementError(
            f"points {trace.spacing_hz:.0f} Hz apart are too coarse for a frequency with an RBW of "
            f"{trace.rbw_hz:.0f} Hz",
            next_step="take points at most half the RBW apart",
        )
    centre = _strongest(trace, near_hz, within_hz)
    for _ in range(40):
        offset, weight = _window(trace, centre)
        coefficients = _even_fit(offset, trace.level_dbm, weight)
        if coefficients[2] >= 0:
            raise _no_line(trace, centre)
        move = float(np.clip(-coefficients[1] / (2 * coefficients[2]), -0.5, 0.5))
        centre += move * trace.rbw_hz
        if abs(move) < 1e-7:
            break
    return LineCentre(
        frequency_hz=centre,
        sd_hz=_sd_rbw(trace, centre) * trace.rbw_hz,
        level_dbm=float(coefficients[0]),
    )


def _strongest(trace: Trace, near_hz: float | None, within_hz: float | None) -> float:
    level = trace.level_dbm
    if near_hz is not None:
        reach = within_hz if within_hz is not None else trace.rbw_hz
        level = np.where(np.abs(trace.frequency_hz - near_hz) <= reach, level, -np.inf)
        if not np.any(np.isfinite(level)):
            raise ValueError(f"{near_hz} Hz +- {reach} Hz lies outside the trace")
    return float(trace.frequency_hz[int(np.argmax(level))])


def _window(trace: Trace, centre_hz: float) -> tuple[Array, Array]:
    """Return the distances from ``centre_hz`` in RBW and weights that vanish at the edges of the window."""
    half_hz = _HALF_WINDOW_RBW * trace.rbw_hz
    if centre_hz - half_hz < trace.frequency_hz[0] or centre_hz + half_hz > trace.frequency_hz[-1]:
        raise _no_line(trace, centre_hz)
    offset = (trace.frequency_hz - centre_hz) / trace.rbw_hz
    return offset, np.asarray(np.clip(1 - (offset / _HALF_WINDOW_RBW) ** 2, 0.0, None) ** 2, dtype=float)


def _terms(offset: Array, points: int) -> Array:
    # The higher even powers take up how the filter differs from a Gaussian; few points cannot carry them.
    powers = (0, 1, 2, 4, 6) if points >= 9 else (0, 1, 2, 4) if points >= 7 else (0, 1, 2)
    return np.stack([offset**power for power in powers], axis=1)


def _even_fit(offset: Array, level_dbm: Array, weight: Array) -> Array:
    used = weight > 0
    terms = _terms(offset[used], int(np.count_nonzero(used)))
    root = np.sqrt(weight[used])
    solution = np.linalg.lstsq(terms * root[:, None], level_dbm[used] * root, rcond=None)[0]
    return np.asarray(solution, dtype=float)


def _sd_rbw(trace: Trace, centre_hz: float) -> float:
    """Return the standard deviation of the centre in RBW, by propagation through the weighted fit."""
    offset, weight = _window(trace, centre_hz)
    used = weight > 0
    offset, weight, level = offset[used], weight[used], trace.level_dbm[used]
    terms = _terms(offset, len(offset))
    inverse = np.linalg.pinv(terms.T @ (terms * weight[:, None]))
    gain = inverse @ (terms * weight[:, None]).T
    coefficients = gain @ level
    residual = level - terms @ coefficients
    spare = len(level) - terms.shape[1]
    share = spare / len(level) * float(np.sum(weight))
    left_over = float(np.sqrt(np.sum(weight * residual**2) / share)) if spare > 0 else 0.0
    snr_db = np.maximum(level - float(np.min(trace.level_dbm)), 0.0)
    statistical = np.array([line_sd_db(float(snr), trace.samples_per_point) for snr in snr_db])
    slope_sd = math.sqrt(float(np.sum((gain[1] * np.maximum(statistical, left_over)) ** 2)))
    return slope_sd / (2 * abs(float(coefficients[2])))


def _no_line(trace: Trace, near_hz: float) -> MeasurementError:
    return MeasurementError(
        f"no whole line near {near_hz / 1e6:.6f} MHz in the trace {trace.frequency_hz[0] / 1e6:.6f}.."
        f"{trace.frequency_hz[-1] / 1e6:.6f} MHz",
        next_step="check that the tone is on; sweep wider if its frequency may be further off",
    )
