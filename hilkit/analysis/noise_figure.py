"""Noise figure: by the Y factor, with the second stage taken out, and by the gain method.

A noise figure belongs to a source at 290 K, whatever the temperature of the source that measures it (IEEE
definition; Pozar, Microwave Engineering, 4th ed., section 10.1). Ratios are taken in watts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from hilkit.errors import MeasurementError

__all__ = [
    "BOLTZMANN_J_PER_K",
    "STANDARD_K",
    "by_gain_k",
    "by_y_factor_k",
    "enr_at_db",
    "first_stage_k",
    "hot_k",
    "noise_figure_db",
    "noise_temperature_k",
    "seen_through_k",
    "stage_gain_db",
]

BOLTZMANN_J_PER_K = 1.380649e-23
"""Exact by definition of the kelvin (SI brochure, 9th edition, section 2.3.1)."""

STANDARD_K = 290.0


def noise_temperature_k(figure_db: float) -> float:
    """Return the equivalent noise temperature in K of a noise figure in dB; ``ValueError`` below 0 dB."""
    if not figure_db >= 0:
        raise ValueError(f"a noise figure of {figure_db} dB does not exist; it is 0 dB or more")
    return STANDARD_K * (10 ** (figure_db / 10) - 1)


def noise_figure_db(temperature_k: float) -> float:
    """Return the noise figure in dB of an equivalent noise temperature in K; ``ValueError`` below 0 K."""
    if not temperature_k >= 0:
        raise ValueError(f"an equivalent noise temperature of {temperature_k} K does not exist")
    return 10 * math.log10(1 + temperature_k / STANDARD_K)


def hot_k(enr_db: float) -> float:
    """Return the temperature in K of a noise source that is on: ENR = 10 log((Th - T0) / T0), T0 = 290 K.

    The excess counts from 290 K and not from the temperature that the source has when it is off (Pozar, 4th
    ed., equation 10.6).
    """
    return STANDARD_K * (1 + 10 ** (enr_db / 10))


def enr_at_db(frequency_hz: float, table_hz: Sequence[float], table_db: Sequence[float]) -> float:
    """Return the ENR in dB at a frequency, on a straight line in dB between two entries of its table.

    The table rises in frequency; ``MeasurementError`` outside it: nobody has calibrated the source there.
    """
    if not table_hz or not table_hz[0] <= frequency_hz <= table_hz[-1]:
        reach = f"{table_hz[0] / 1e6:g} to {table_hz[-1] / 1e6:g} MHz" if table_hz else "no frequency"
        raise MeasurementError(
            f"the noise source has no ENR at {frequency_hz / 1e6:g} MHz; its table holds {reach}",
            next_step="measure inside the table, or add what its calibration certificate gives",
        )
    return float(np.interp(frequency_hz, table_hz, table_db))


def seen_through_k(source_k: float, loss_db: float, ambient_k: float) -> float:
    """Return the temperature in K of a source behind a matched loss that is itself at ``ambient_k``.

    T = Ts / L + Ta (1 - 1 / L) (Pozar, 4th ed., section 10.1, noise of a lossy line).
    """
    share = 10 ** (-loss_db / 10)
    return source_k * share + ambient_k * (1 - share)


def by_y_factor_k(hot_w: float, cold_w: float, *, source_hot_k: float, source_cold_k: float) -> float:
    """Return the equivalent noise temperature in K of what stands behind the source.

    ``hot_w`` and ``cold_w`` are powers in the same bandwidth with the source on and off, in any one unit:
    Y = hot / cold, Te = (Th - Y Tc) / (Y - 1) (Pozar, 4th ed., section 10.1, example 10.1).
    ``MeasurementError`` where Y is 1 or less, or where Te comes out below zero.
    """
    if not (hot_w > 0 and cold_w > 0):
        raise MeasurementError(
            f"powers of {hot_w:g} and {cold_w:g} give no Y factor; both are to be above zero",
            next_step="check that the receiver is on and that its samples are not all zero",
        )
    y = hot_w / cold_w
    if not y > 1:
        raise MeasurementError(
            f"Y is {10 * math.log10(y):.3f} dB: the source makes no more noise on than off",
            next_step="check its supply and its cable, or measure longer; hot and cold may be swapped",
        )
    temperature = (source_hot_k - y * source_cold_k) / (y - 1)
    if temperature < 0:
        most_db = 10 * math.log10(source_hot_k / source_cold_k)
        raise MeasurementError(
            f"Y is {10 * math.log10(y):.3f} dB, and a receiver without any noise would give "
            f"{most_db:.3f} dB: the ENR or the loss in front is wrong, or something else was received",
            next_step="check the ENR table and the loss between source and port",
        )
    return float(temperature)


def first_stage_k(both_k: float, second_k: float, gain_db: float) -> float:
    """Return the noise temperature in K of the first stage alone: T1 = T12 - T2 / G1 (Friis).

    ``MeasurementError`` where the second stage alone makes more noise than both.
    """
    temperature = both_k - second_k / 10 ** (gain_db / 10)
    if temperature < 0:
        raise MeasurementError(
            f"the second stage alone would make {second_k / 10 ** (gain_db / 10):.1f} K of the "
            f"{both_k:.1f} K that both make: nothing is left for the first",
            next_step="use a second stage with less noise (preamplifier, less attenuation), or measure again",
        )
    return temperature


def stage_gain_db(both_hot_w: float, both_cold_w: float, alone_hot_w: float, alone_cold_w: float) -> float:
    """Return the available gain in dB of the first stage, from the excess noise with and without it.

    G1 = (N12h - N12c) / (N2h - N2c), all in the same bandwidth and unit (common practice of noise figure
    meters, no source). ``MeasurementError`` where an excess is not above zero.
    """
    both, alone = both_hot_w - both_cold_w, alone_hot_w - alone_cold_w
    if not (both > 0 and alone > 0):
        raise MeasurementError(
            "the source makes no more noise on than off, with the first stage or without",
            next_step="check the supply of the source and its cable, or measure longer",
        )
    return 10 * math.log10(both / alone)


def by_gain_k(density_w_per_hz: float, gain_db: float, *, source_k: float) -> float:
    """Return the equivalent noise temperature in K from output noise density and gain: T = N / (k G) - Ts.

    ``density_w_per_hz`` is the noise at the output in W/Hz, or in full scale squared per Hz where ``gain_db``
    is in dBFS of output per dBW of input. ``source_k`` is the temperature of what terminates the input.
    ``MeasurementError`` where the output shows less noise than that termination alone.
    """
    total = density_w_per_hz / (BOLTZMANN_J_PER_K * 10 ** (gain_db / 10))
    if not total > source_k:
        raise MeasurementError(
            f"the output shows {total:.1f} K at the input, less than its termination of {source_k:.1f} K",
            next_step="check the gain, and that the input is terminated",
        )
    return total - source_k
