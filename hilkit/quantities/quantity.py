"""What all quantities share: reading and printing, comparison, sums, and their place in file models."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar, Self, TypeVar, overload

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticSerializationUnexpectedValue, core_schema

from hilkit.quantities.errors import QuantityError
from hilkit.quantities.number import EXACT, NUMBER_PATTERN, decimal_of, decimal_text, float_of, read_decimal
from hilkit.quantities.units import Unit, near_units

__all__ = ["Quantity", "kinds", "parse"]

Q = TypeVar("Q", bound="Quantity")

_PARTS = re.compile(rf"(?P<number>{NUMBER_PATTERN})\s*(?P<unit>(?![\d_])\w.*|[%°].*|)", re.DOTALL)
_MEANT_AS = {"°": "deg", "C": "°C", "degrees": "deg", "percent": "%", "sec": "s", "seconds": "s"}
_KINDS: list[type[Quantity]] = []


def kinds() -> tuple[type[Quantity], ...]:
    """Return every kind of quantity there is."""
    return tuple(_KINDS)


@dataclass(frozen=True, order=True)
class Quantity:
    """A number with its unit, held as one float in the base unit of its kind.

    ``unit`` is the unit it is printed in and ``text`` the text it was read from; neither counts when two
    quantities are compared. ``str(q)`` gives a text that reads back as an equal quantity.
    """

    noun: ClassVar[str]
    example: ClassVar[str]
    units: ClassVar[tuple[Unit, ...]]
    base_field: ClassVar[str]

    unit: str = field(default="", compare=False, kw_only=True)
    text: str = field(default="", compare=False, repr=False, kw_only=True)

    def __init_subclass__(cls, **options: Any) -> None:
        super().__init_subclass__(**options)
        if cls.__dict__.get("units"):
            _KINDS.append(cls)

    def __post_init__(self) -> None:
        value = getattr(self, self.base_field)
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise TypeError(f"{self.base_field} must be a number, got {value!r}")
        if not math.isfinite(value):
            raise QuantityError(f"{self.noun} must be a finite number", seen=str(value))
        unit = self._unit(self.unit).shown_as if self.unit else self._automatic_unit()
        # Adding zero turns -0.0 into 0.0, so that equal values print the same text.
        object.__setattr__(self, self.base_field, float(value) + 0.0)
        object.__setattr__(self, "unit", unit)

    @property
    def base(self) -> float:
        """The value in the base unit."""
        return float(getattr(self, self.base_field))

    @classmethod
    def symbols(cls) -> tuple[str, ...]:
        """Return the units that are printed in messages (spellings that mean the same appear once)."""
        return tuple(unit.symbol for unit in cls.units if unit.symbol == unit.shown_as)

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read a text of this kind; ``QuantityError`` for anything else."""
        return parse(text, cls)

    @classmethod
    def from_other(cls, other: Quantity) -> Self | None:
        """Return ``other`` as this kind where that is a matter of definition, else ``None``."""
        return None

    @classmethod
    def pattern(cls) -> str:
        """Return a regular expression (ECMA 262 and Python alike) of the texts that this kind reads."""
        symbols = [unit.symbol for kind in (cls, *cls.also_reads()) for unit in kind.units]
        units = "|".join(map(re.escape, symbols))
        return rf"^\s*{NUMBER_PATTERN}\s*(?:{units})\s*$"

    @classmethod
    def also_reads(cls) -> tuple[type[Quantity], ...]:
        """Return the other kinds that ``from_other`` can turn into this one."""
        return ()

    @classmethod
    def needed(cls) -> str:
        """Return the sentence that says what has to stand here."""
        return f"{cls.noun} is needed here, such as {cls.example}"

    @classmethod
    def allowed_units(cls) -> str:
        """Return what is allowed, for messages."""
        symbols = cls.symbols()
        return f"a number and {'one of the units' if len(symbols) > 1 else 'the unit'} {', '.join(symbols)}"

    def number(self, unit: str) -> float:
        """Return the value in another unit of this kind."""
        return float_of(EXACT.divide(decimal_of(self.base), self._unit(unit).scale), seen=str(self))

    def __str__(self) -> str:
        value = decimal_of(self.base)
        unit = self._unit(self.unit)
        shown = EXACT.divide(value, unit.scale)
        if len(shown.as_tuple().digits) > 40:  # a third of a minute has no finite decimal
            unit = next(unit for unit in self.units if unit.scale == 1)
            shown = value
        return f"{decimal_text(shown)} {unit.shown_as}"

    @classmethod
    def _unit(cls, symbol: str) -> Unit:
        for unit in cls.units:
            if unit.symbol == symbol:
                return unit
        allowed = ", ".join(cls.symbols())
        raise QuantityError(f"{symbol!r} is no unit of {cls.noun}", seen=symbol, allowed=allowed)

    def _automatic_unit(self) -> str:
        fits = [unit for unit in self.units if unit.automatic and unit.scale <= abs(decimal_of(self.base))]
        if fits:
            return max(fits, key=lambda unit: unit.scale).shown_as
        return next((unit.shown_as for unit in self.units if unit.scale == 1), self.units[0].shown_as)

    def _moved(self, other: Quantity, sign: int) -> Self:
        """Return this value with that of ``other`` added or taken away, printed in this unit."""
        total = EXACT.add(decimal_of(self.base), sign * decimal_of(other.base))
        value = float_of(total, seen=f"{self} {'+' if sign > 0 else '-'} {other}")
        changes: dict[str, Any] = {self.base_field: value, "text": ""}
        return replace(self, **changes)

    def __add__(self, other: Any) -> Any:
        return self._joined(other, 1)

    def __sub__(self, other: Any) -> Any:
        return self._joined(other, -1)

    def _joined(self, other: Any, sign: int) -> Any:
        if not isinstance(other, Quantity):
            return NotImplemented
        result = self._sum(other, sign)
        if result is None:
            word, mark = ("plus", "+") if sign > 0 else ("minus", "-")
            raise QuantityError(
                f"{self.noun} {word} {other.noun} has no meaning",
                seen=f"{self} {mark} {other}",
                allowed=self.sums(),
            )
        return result

    def _sum(self, other: Quantity, sign: int) -> Quantity | None:
        """Return the sum or difference, ``None`` where it has no meaning."""
        return None

    @classmethod
    def sums(cls) -> str:
        """Return which sums have a meaning, for messages."""
        return f"no sum or difference of {cls.noun}"

    @classmethod
    def _validated(cls, value: object) -> Self:
        if isinstance(value, cls):
            return value
        if isinstance(value, str):
            return parse(value, cls)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return parse(decimal_text(decimal_of(value)), cls)
        raise QuantityError(cls.needed(), allowed=cls.allowed_units())

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            cls._validated,
            serialization=core_schema.plain_serializer_function_ser_schema(cls._as_text),
        )

    @classmethod
    def _as_text(cls, value: Any) -> str:
        if not isinstance(value, cls):
            # Another member of a union is meant: str() of it would come out as a quantity's text.
            raise PydanticSerializationUnexpectedValue(f"{value!r} is not {cls.noun}")
        return str(value)

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {
            "type": "string",
            "pattern": cls.pattern(),
            "examples": [cls.example],
            "description": f"{cls.noun}: {cls.allowed_units()}",
        }


@overload
def parse(text: str, kind: type[Q]) -> Q: ...
@overload
def parse(text: str, kind: None = None) -> Quantity: ...
def parse(text: str, kind: type[Quantity] | None = None) -> Quantity:
    """Read ``'2.35 GHz'`` and the like.

    With ``kind`` the text must be of that kind; without, its unit decides. The number is a plain decimal with
    an optional exponent, the unit is one of the closed table (case counts), the space may be left out.
    """
    if not isinstance(text, str):
        raise QuantityError(_needed(kind), seen=repr(text))
    stripped = text.strip()
    found = _PARTS.fullmatch(stripped)
    number = read_decimal(found["number"]) if found else None
    if not found or number is None:
        raise _no_number(stripped, kind)
    symbol = found["unit"]
    if not symbol:
        raise QuantityError(
            f"a unit is missing: {_needed(kind)}",
            seen=stripped,
            allowed=_allowed(kind),
            next_step="write the unit after the number",
        )
    owner = _owner(symbol, stripped, kind)
    unit = owner._unit(symbol)
    value = float_of(EXACT.multiply(number, unit.scale), seen=stripped)
    fields: dict[str, Any] = {owner.base_field: value, "unit": unit.shown_as, "text": stripped}
    quantity = owner(**fields)
    if kind is None or owner is kind:
        return quantity
    converted = kind.from_other(quantity)
    if converted is None:
        message = f"this is {owner.noun}; {kind.needed()}"
        raise QuantityError(message, seen=stripped, allowed=kind.allowed_units())
    return replace(converted, text=stripped)


def _owner(symbol: str, seen: str, kind: type[Quantity] | None) -> type[Quantity]:
    for owner in _KINDS:
        if any(unit.symbol == symbol for unit in owner.units):
            return owner
    pools = [kind.symbols()] if kind else []
    pools.append(tuple(name for each in _KINDS for name in each.symbols()))
    near = [_MEANT_AS[symbol]] if symbol in _MEANT_AS else []
    for pool in pools:
        near = near or near_units(symbol, pool)
    raise QuantityError(
        f"{symbol!r} is no unit that is known; {_needed(kind)}",
        seen=seen,
        allowed=_allowed(kind),
        next_step=f"did you mean {' or '.join(near)}? (upper and lower case count)" if near else "",
    )


def _no_number(seen: str, kind: type[Quantity] | None) -> QuantityError:
    hint = ""
    if re.match(r"[+-]?[0-9]+,[0-9]+", seen):
        hint = f"write a decimal point: {seen.replace(',', '.')}"
    elif re.match(r"[+-]?[0-9]+[ _'][0-9]", seen):
        hint = "write the digits without separators"
    elif re.match("[\u2012\u2013\u2014]", seen):
        hint = "write the minus sign as - (this is a dash)"
    elif re.match(r"[+-]?\.?(?:nan|inf)", seen, re.IGNORECASE):
        hint = "only finite numbers are quantities"
    return QuantityError(_needed(kind), seen=seen, allowed=_allowed(kind), next_step=hint)


def _needed(kind: type[Quantity] | None) -> str:
    return kind.needed() if kind else "a number with its unit is needed here, such as 2.35 GHz or -20 dBm"


def _allowed(kind: type[Quantity] | None) -> str:
    if kind:
        return kind.allowed_units()
    return "a number and a unit, such as " + ", ".join(each.example for each in _KINDS)
