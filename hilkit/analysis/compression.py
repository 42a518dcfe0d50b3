"""Gain compression: the line of small signals, how far the curve falls under it, and the 1 dB point.

The line has a slope of 1 dB per dB; only its height, the small-signal gain, is fitted. Its slope is fitted
apart, as a check: points that are compressed already would show there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hilkit.errors import MeasurementError

__all__ = ["CompressionCurve", "compression_curve"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class CompressionCurve:
    """A curve of output over input.

    ``gain_db`` is the small-signal gain, ``slope`` that of a free line through the same points in dB per dB,
    ``fitted`` their number. ``compression_db`` is how far each point lies under the line, ``output_dbm`` and
    ``input_db`` are the points themselves, the input rising.
    """

    gain_db: float
    slope: float
    fitted: int
    input_db: Array
    output_dbm: Array
    compression_db: Array

    def point(self, compression_db: float = 1.0) -> tuple[float, float] | None:
        """Return input and output where the curve first lies ``compression_db`` under the line.

        Linear between the two points around it. ``None`` where no point is as far under the line.
        """
        beyond = np.flatnonzero(self.compression_db >= compression_db)
        if not len(beyond):
            return None
        last = int(beyond[0])
        if last == 0:
            return float(self.input_db[0]), float(self.output_dbm[0])
        before, after = self.compression_db[last - 1], self.compression_db[last]
        share = float((compression_db - before) / (after - before))
        return tuple(
            float(values[last - 1] + share * (values[last] - values[last - 1]))
            for values in (self.input_db, self.output_dbm)
        )  # type: ignore[return-value]


def compression_curve(
    input_db: Sequence[float], output_dbm: Sequence[float], *, small_signal_range_db: float
) -> CompressionCurve:
    """Return the curve of outputs over inputs, with the line through the lowest points.

    Both have the same length; the inputs, in dBm or in dBFS, rise. The line is fitted to the points within
    ``small_signal_range_db`` of the lowest input. The compression point is the output at which the gain has
    fallen by 1 dB (Pozar, Microwave Engineering, 4th ed., section 10.3). ``MeasurementError`` where fewer
    than three points are left for the line, or none beyond them.
    """
    inputs, outputs = np.asarray(input_db, dtype=float), np.asarray(output_dbm, dtype=float)
    if inputs.shape != outputs.shape or inputs.ndim != 1:
        raise ValueError(f"{inputs.size} inputs and {outputs.size} outputs do not go together")
    if np.any(np.diff(inputs) <= 0):
        raise ValueError("the inputs do not rise")
    low = inputs <= inputs[0] + small_signal_range_db + 1e-9 if inputs.size else np.zeros(0, dtype=bool)
    fitted = int(np.count_nonzero(low))
    if fitted < 3 or fitted == inputs.size:
        raise MeasurementError(
            f"{fitted} of {inputs.size} points lie within {small_signal_range_db:g} dB of the lowest: at "
            "least 3 are needed for the line of small signals, and one beyond them",
            next_step="use smaller steps, or a wider range",
        )
    gain_db = float(np.mean(outputs[low] - inputs[low]))
    spread = inputs[low] - inputs[low].mean()
    return CompressionCurve(
        gain_db=gain_db,
        slope=float(spread @ outputs[low] / (spread @ spread)),
        fitted=fitted,
        input_db=inputs,
        output_dbm=outputs,
        compression_db=np.asarray(inputs + gain_db - outputs, dtype=float),
    )
