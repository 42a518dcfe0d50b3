"""A range on a quantity of a file model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from hilkit.quantities.errors import QuantityError
from hilkit.quantities.kinds import Ratio
from hilkit.quantities.quantity import Quantity, parse

__all__ = ["Between"]


@dataclass(frozen=True, kw_only=True)
class Between:
    """Annotation for a field: ``Annotated[Frequency, Between(above="0 Hz", high="6 GHz")]``.

    ``low`` and ``high`` belong to the range, ``above`` and ``below`` do not. A ratio has to be in the unit of
    the range, dB or dBc.
    """

    low: str = ""
    high: str = ""
    above: str = ""
    below: str = ""

    def __str__(self) -> str:
        parts = (("from ", self.low), ("above ", self.above), ("up to ", self.high), ("below ", self.below))
        return " ".join(word + text for word, text in parts if text)

    def check(self, quantity: Quantity) -> Quantity:
        """Return the quantity if it lies in the range, else raise ``QuantityError``."""
        self._check_unit(quantity)
        kind, value = type(quantity), quantity.base
        inside = (
            (not self.low or value >= parse(self.low, kind).base)
            and (not self.high or value <= parse(self.high, kind).base)
            and (not self.above or value > parse(self.above, kind).base)
            and (not self.below or value < parse(self.below, kind).base)
        )
        if not inside:
            seen = quantity.text or str(quantity)
            raise QuantityError("the value is out of range", seen=seen, allowed=str(self))
        return quantity

    def _check_unit(self, quantity: Quantity) -> None:
        """Refuse dBc where the range is in dB, or dB where it is in dBc: more often a slip than meant."""
        if not isinstance(quantity, Ratio):
            return
        edge = next(text for text in (self.low, self.high, self.above, self.below) if text)
        unit = parse(edge, Ratio).unit
        if quantity.unit != unit:
            seen = quantity.text or str(quantity)
            raise QuantityError(
                f"this is in {quantity.unit}; a ratio in {unit} is needed here",
                seen=seen,
                allowed=str(self),
                next_step=f"write {seen.removesuffix(quantity.unit).rstrip()} {unit}, if that is meant",
            )

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(self.check, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        found = handler(schema)
        return {**found, "description": f"{found.get('description', '')}; {self}"}
