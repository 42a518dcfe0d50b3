"""Third-order intermodulation at the output: two tones, the products on both sides, intercept and order.

All levels are at one port. A product of third order rises 3 dB for each dB of both tones, and the intercept
is where the lines through tone and product would meet.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from hilkit.errors import MeasurementError

__all__ = ["expected_product_dbm", "output_intercept_dbm", "slope_db_per_db"]


def output_intercept_dbm(near_dbm: float, far_dbm: float, product_dbm: float) -> float:
    """Return the third-order intercept OIP3 in dBm from two tones and one product, all at the output.

    ``near_dbm`` is the tone next to the product, which enters it twice, ``far_dbm`` the other one. With equal
    tones P it is P + (P - P_product)/2 (Pozar, Microwave Engineering, 4th ed., section 10.3). Each level
    alone shifts it by 1, 1/2 and -1/2 dB per dB. ``MeasurementError`` where the product is not
    below both tones.
    """
    if not product_dbm < min(near_dbm, far_dbm):
        raise MeasurementError(
            f"the product at {product_dbm:.1f} dBm is not below the tones at {near_dbm:.1f} and "
            f"{far_dbm:.1f} dBm: there is no intercept of third order",
            next_step="use less drive, and check that both tones are sent",
        )
    return near_dbm + (far_dbm - product_dbm) / 2


def expected_product_dbm(near_dbm: float, far_dbm: float, intercept_dbm: float) -> float:
    """Return the level in dBm of the product that an OIP3 of ``intercept_dbm`` makes of two tones."""
    return 2 * near_dbm + far_dbm - 2 * intercept_dbm


def slope_db_per_db(tone_dbm: Sequence[float], product_dbm: Sequence[float]) -> float:
    """Return by how many dB the product rises for each dB of the tones: the least-squares line.

    Both have the same length, at least two, and go together point by point. 3 is third order; fifth order and
    compression show as another number. ``ValueError`` where the tones do not differ.
    """
    tones, products = np.asarray(tone_dbm, dtype=float), np.asarray(product_dbm, dtype=float)
    if tones.shape != products.shape or tones.ndim != 1 or tones.size < 2:
        raise ValueError(f"{tones.size} tones and {products.size} products: two or more of each are needed")
    spread = tones - tones.mean()
    if not np.any(spread):
        raise ValueError("all tones have one level: no slope can be seen")
    return float(spread @ products / (spread @ spread))
