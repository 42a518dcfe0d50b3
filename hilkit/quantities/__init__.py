"""Values with units, as they stand in files, settings, readings and limits."""

from hilkit.quantities.errors import QuantityError
from hilkit.quantities.kinds import (
    Angle,
    Current,
    Density,
    Duration,
    Fraction,
    Frequency,
    FullScaleLevel,
    Length,
    Level,
    Power,
    Ratio,
    RelativeDensity,
    Temperature,
    Voltage,
)
from hilkit.quantities.limits import READING_UNITS, difference_unit, limit_number, unit_of_reading
from hilkit.quantities.powers import dbm_to_dbuv, dbm_to_w, dbuv_to_dbm, w_to_dbm
from hilkit.quantities.quantity import Quantity, kinds, parse
from hilkit.quantities.ranges import Between

__all__ = [
    "READING_UNITS",
    "Angle",
    "Between",
    "Current",
    "Density",
    "Duration",
    "Fraction",
    "Frequency",
    "FullScaleLevel",
    "Length",
    "Level",
    "Power",
    "Quantity",
    "QuantityError",
    "Ratio",
    "RelativeDensity",
    "Temperature",
    "Voltage",
    "dbm_to_dbuv",
    "dbm_to_w",
    "dbuv_to_dbm",
    "difference_unit",
    "kinds",
    "limit_number",
    "parse",
    "unit_of_reading",
    "w_to_dbm",
]
