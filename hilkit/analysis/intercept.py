"""Third-order intercept of a receiver, referred to its input."""

from __future__ import annotations

import math

from hilkit.errors import MeasurementError

__all__ = ["input_intercept_dbm", "input_intercept_sd_db", "product_offsets_hz", "third_order_slope"]


def product_offsets_hz(lower_hz: float, upper_hz: float) -> tuple[float, float]:
    """Return where the third-order products of two tones lie: 2 f1 - f2 and 2 f2 - f1."""
    return 2 * lower_hz - upper_hz, 2 * upper_hz - lower_hz


def input_intercept_dbm(input_dbm: float, tone_db: float, product_db: float) -> float:
    """Return the input IP3 in dBm: level of each tone at the input plus half its distance to the product.

    ``tone_db`` and ``product_db`` are read at the same port in any one unit, such as dBFS (Pozar, Microwave
    Engineering, 4th ed., section 10.3). ``MeasurementError`` where the product is not below the tone.
    """
    if not product_db < tone_db:
        raise MeasurementError(
            f"the product reads {product_db:.1f} dB and the tone {tone_db:.1f} dB: this is no small signal",
            next_step="use less level, and check that both tones arrive",
        )
    return input_dbm + (tone_db - product_db) / 2


def input_intercept_sd_db(input_sd_db: float, tone_sd_db: float, product_sd_db: float) -> float:
    """Return the standard uncertainty in dB of that intercept: half of what both readings have counts."""
    return math.sqrt(input_sd_db**2 + (tone_sd_db / 2) ** 2 + (product_sd_db / 2) ** 2)


def third_order_slope(low_db: float, high_db: float, step_db: float) -> float:
    """Return by how many dB a product grows for each dB of both tones: 3 for a third-order product.

    ``low_db`` and ``high_db`` are the product at two levels of the tones that lie ``step_db`` apart.
    """
    if not step_db > 0:
        raise ValueError(f"a step of {step_db} dB gives no slope; it must be above 0")
    return (high_db - low_db) / step_db
